"""The plan sheet as Markdown (CommonMark with tables)."""

from __future__ import annotations

import re
from collections.abc import Sequence

from monitor.plan_sheet.model import GROUPS, PROBE_HEADS, PlanSheet


def sheet_markdown(sheet: PlanSheet) -> str:
    """The whole sheet; the same plan gives the same text."""
    lines = [f"# {_plain(sheet.title)}", "", *_table(("", ""), sheet.facts)]
    for part in sheet.parts:
        lines += ["", f"## {_plain(part.title)}"]
        if part.facts:
            lines += ["", *_table(("", ""), part.facts)]
        if part.steps:
            lines += ["", *_table(("Step", "Room", "Left"), part.steps)]
        for critical, heading in GROUPS:
            entries = [e for e in part.entries if e.critical is critical]
            if entries:
                lines += ["", f"### {heading}"]
            for entry in entries:
                lines += ["", f"#### {_plain(entry.title)}", "", *_table(("", ""), entry.fields)]
    lines += ["", "## Probes", "", *_table(PROBE_HEADS, sheet.probes)]
    lines += ["", "## What this plan does not say", "", *_points(sheet.unsaid)]
    if sheet.marks:
        lines += ["", "## Marks, how well a source was verified", "", *_table(("Mark", "Means"), sheet.marks)]
    if sheet.documents:
        lines += ["", "## Documents cited", "", *_table(("Document", "Title and date"), sheet.documents)]
    lines += ["", "## Cautions", "", *_points(sheet.cautions)]
    return "\n".join(lines) + "\n"


def _points(sentences: Sequence[str]) -> list[str]:
    return [f"- {_plain(sentence)}" for sentence in sentences]


def _table(heads: Sequence[str], rows: Sequence[Sequence[str | Sequence[str]]]) -> list[str]:
    """Sentences of one cell stand below each other."""

    def line(cells: Sequence[str | Sequence[str]]) -> str:
        return "| " + " | ".join(_plain(c) if isinstance(c, str) else "<br>".join(_plain(s) for s in c) for c in cells) + " |"

    return [line(heads), "|" + " --- |" * len(heads), *(line(row) for row in rows)]


def _plain(text: str) -> str:
    """The text with nothing that Markdown or HTML would take for its own."""
    return re.sub(r"([\\`*_\[\]<>|#~])", r"\\\1", " ".join(text.split()))
