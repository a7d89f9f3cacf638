"""A lot's temperatures against its limits, drawn as shapes for the page (SVG) and for the day's PDF."""
