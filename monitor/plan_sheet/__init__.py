"""The HACCP plan summary: one model of the sheet, three writers (text, Markdown, PDF)."""
