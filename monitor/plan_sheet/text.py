"""The plan sheet as plain text, at most 100 characters a line."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from monitor.plan_sheet.model import GROUPS, PROBE_HEADS, Entry, PlanSheet

_WIDTH = 100
_LABEL = 24


def sheet_text(sheet: PlanSheet) -> str:
    """The whole sheet; the same plan gives the same text."""
    lines = [sheet.title, "=" * min(_WIDTH, len(sheet.title)), ""]
    for label, value in sheet.facts:
        lines += _pair(label, (value,))
    for part in sheet.parts:
        lines += ["", "", *_wrap(part.title), "-" * min(_WIDTH, len(part.title))]
        for label, value in part.facts:
            lines += _pair(label, (value,))
        if part.steps:
            lines += ["", "Steps:"]
            for number, (step, room, left) in enumerate(part.steps, 1):
                lines += _wrap(f"{number}. {step}, in {room}. Left: {left}.", "  ", "     ")
        for critical, heading in GROUPS:
            entries = [e for e in part.entries if e.critical is critical]
            if entries:
                lines += ["", heading.upper()]
            for entry in entries:
                lines += ["", *_entry(entry)]
    lines += ["", "", "Probes", "------", *_table(PROBE_HEADS, sheet.probes)]
    lines += ["", "What this plan does not say", "---------------------------"]
    for sentence in sheet.unsaid:
        lines += _wrap(sentence, "- ", "  ")
    if sheet.marks:
        lines += ["", "Marks, how well a source was verified", "-------------------------------------"]
        for mark, words in sheet.marks:
            lines += _pair(mark, (words,))
    if sheet.documents:
        lines += ["", "Documents cited", "---------------"]
        for document, title in sheet.documents:
            lines += _pair(document, (title,))
    lines += ["", "Cautions", "--------"]
    for sentence in sheet.cautions:
        lines += _wrap(sentence, "- ", "  ")
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _entry(entry: Entry) -> list[str]:
    lines = _wrap(entry.title)
    for label, sentences in entry.fields:
        lines += _pair(label, sentences)
    return lines


def _pair(label: str, sentences: Sequence[str]) -> list[str]:
    """A label in its column and each sentence beside it."""
    body = [line for sentence in sentences for line in textwrap.wrap(sentence, _WIDTH - _LABEL - 2, break_on_hyphens=False) or [""]]
    first, *rest = body or [""]
    return [f"  {label:<{_LABEL}}{first}", *(" " * (_LABEL + 2) + line for line in rest)]


def _wrap(text: str, indent: str = "", hang: str | None = None) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent if hang is None else hang, break_on_hyphens=False)


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Columns as wide as they need; one that would not fit is broken into lines of "label value"."""
    widths = [max(len(r[n]) for r in (heads, *rows)) for n in range(len(heads))]
    if sum(widths) + 2 * len(widths) <= _WIDTH:
        return ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) for row in (heads, *rows)]
    return [line for row in rows for line in _wrap("; ".join(f"{h.lower()} {c}" for h, c in zip(heads, row, strict=True)), "- ", "  ")]
