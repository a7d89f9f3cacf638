"""The plan sheet as a PDF, on the paper of the site's continent."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from monitor.export.sheet import Sheet, plain
from monitor.plan_sheet.model import GROUPS, PROBE_HEADS, Entry, PlanSheet

_LABELS = (20, 80)


def write_pdf(path: Path, sheet: PlanSheet, *, letter: bool) -> None:
    """Lay the sheet out and write it to `path`; the same plan gives the same bytes."""
    foot = (
        f"{sheet.name}, SHA-256 {sheet.sha256}",
        "Supports a HACCP plan and does not replace one. Validate limits for your own products. The inspector decides.",
    )
    paper = Sheet("letter" if letter else "a4", sheet.title, foot)
    # The plan's sum says which plan it is; a time of making would make two sheets of one plan differ.
    paper.set_creation_date(datetime(1970, 1, 1, tzinfo=UTC))
    paper.heading(sheet.title, 18)
    _facts(paper, sheet.facts)
    paper.heading("Cautions", 11)
    paper.points(sheet.cautions)
    paper.heading("What this plan does not say", 11)
    paper.points(sheet.unsaid)
    for part in sheet.parts:
        paper.add_page()
        paper.heading(part.title, 15)
        if part.facts:
            _facts(paper, part.facts)
        if part.steps:
            paper.grid(("Step", "Room", "Left"), part.steps, (25, 20, 55))
        for critical, heading in GROUPS:
            entries = [e for e in part.entries if e.critical is critical]
            if entries:
                paper.heading(heading, 13)
            for entry in entries:
                _entry(paper, entry)
    paper.add_page()
    paper.heading("Probes", 13)
    paper.grid(PROBE_HEADS, sheet.probes, (18, 16, 18, 16, 16, 16))
    if sheet.marks:
        paper.heading("Marks, how well a source was verified", 11)
        paper.grid(("Mark", "Means"), sheet.marks, (10, 90))
    if sheet.documents:
        paper.heading("Documents cited", 11)
        paper.grid(("Document", "Title and date"), sheet.documents, (25, 75))
    paper.output(str(path))


def _facts(paper: Sheet, facts: tuple[tuple[str, str], ...]) -> None:
    for label, value in facts:
        paper.say(f"{label}: {value}", size=9)


def _entry(paper: Sheet, entry: Entry) -> None:
    rows = [(label, "\n".join(sentences)) for label, sentences in entry.fields]
    # A limit stays on one page where it can: what a row takes, near enough, at the size of the grid.
    share = paper.epw * _LABELS[1] / sum(_LABELS) - 6
    paper.set_font("helvetica", "", 8)
    lines = [sum(1 + int(paper.get_string_width(plain(s)) / share) for s in sentences) for _, sentences in entry.fields]
    paper.need(min(sum(10.4 * n + 4 for n in lines) + 40, 500))
    paper.grid(("Critical limit" if entry.critical else "Operating limit", entry.title), rows, _LABELS)
