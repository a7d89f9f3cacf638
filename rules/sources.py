"""Where a limit's figures come from and how well they were verified, in the words that every output uses.

A figure that was not read in the issuing body's own text is told as such wherever the limit is shown: in `plan check`, in the judgement as
text and as JSON, on the page, in alarms and deviation records, in the PDF and in the API. All of them ask here.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Any

from rules.book import MARKS, read_in_original
from rules.plan import Citation, Limit

#: Sections named before the rest is only counted.
_SECTIONS = 3


def mark_words(mark: str) -> str:
    """What a mark means, with the mark: "FROM MEMORY, unverified (mark M)", loud so that it is not read over."""
    return f"{MARKS.get(mark, 'unknown mark').replace('from memory', 'FROM MEMORY')} (mark {mark})"


def unread_words(marks: Iterable[str]) -> str:
    """What to do with rows that are from memory, in one sentence; "" where there are none."""
    known = set(marks)
    found = [m for m in MARKS if m in ("M+", "M") and m in known]
    if not found:
        return ""
    told = " and ".join(f"rows marked {m} are {MARKS[m]}" for m in found)
    return f"{told[0].upper()}{told[1:]}: compare them with the document before relying on them."


def cited(citations: Iterable[Citation]) -> list[str]:
    """One line a document and mark, without a full stop: "FSIS-GD-2021-14 (2021-12-14), p. 24: read in ... (mark O)"."""
    grouped: dict[tuple[str, str, str], list[str]] = {}
    for c in citations:
        grouped.setdefault((c.document, c.date, c.mark), []).append(c.section)
    lines = []
    for (document, date, mark), all_sections in grouped.items():
        sections = list(dict.fromkeys(s for s in all_sections if s))
        more = f" and {len(sections) - _SECTIONS} more" if len(sections) > _SECTIONS else ""
        where = f", {'; '.join(sections[:_SECTIONS])}{more}" if sections else ""
        lines.append(f"{document}{f' ({date})' if date else ''}{where}: {mark_words(mark)}")
    return lines


def worst_mark(limit: Limit) -> str:
    """The worst mark among a limit's figures that were not read in the original; "" where all were, or where no book is used."""
    unread = [m for m in MARKS if not read_in_original(m) and any(c.mark == m for c in limit.citations)]
    return unread[-1] if unread else ""


def short_doubt(limit: Limit) -> str:
    """The same in a few words, for beside the limit's name: "figures FROM MEMORY, unverified (mark M), NOT CONFIRMED"."""
    mark = worst_mark(limit)
    return f"figures {mark_words(mark)}, {'confirmed' if limit.confirmed else 'NOT CONFIRMED'}" if mark else ""


@cache
def doubt(limit: Limit) -> str:
    """The warning of a limit with figures that were not read in the original, in one sentence; "" where all were.

    It names the worst mark and whether a person has confirmed the figures against the document.
    """
    worst = worst_mark(limit)
    if not worst:
        return ""
    documents = " and ".join(dict.fromkeys(c.document for c in limit.citations if c.mark == worst))
    by = f"confirmed by {limit.confirmed}" if limit.confirmed else "NOT CONFIRMED by anybody against the document"
    return f"Figures of {documents} {mark_words(worst)}, {by}."


def source_lines(limit: Limit) -> list[str]:
    """Where a limit's figures come from, a sentence each: citations with their marks, book table, the plan's own source, confirmation."""
    told = [f"{line}." for line in cited(limit.citations)]
    if limit.book:
        told.append(f"Book table {limit.book}.")
    if limit.source:
        told.append(f"{limit.source[:1].upper()}{limit.source[1:].rstrip('. ')}.")
    if limit.confirmed:
        told.append(f"Confirmed by {limit.confirmed}.")
    elif doubt(limit):
        told.append("NOT CONFIRMED by anybody against the document.")
    if not limit.guard:
        told.append("The probe's uncertainty is not used against the lot here (guard = none).")
    return told


def short_source(limit: Limit) -> str:
    """The sources in one line for a record: the plan's own, the table, each citation with its mark, and who confirmed them."""
    confirmed = f"confirmed by {limit.confirmed}" if limit.confirmed else "NOT CONFIRMED by anybody" if doubt(limit) else ""
    parts = (limit.source.rstrip(". "), limit.book or "", *cited(limit.citations), confirmed)
    return "; ".join(dict.fromkeys(part for part in parts if part))


def source_facts(limit: Limit) -> dict[str, Any]:
    """The same as data: `book`, `sources` with the meaning of each mark, `confirmed`, `doubt`; only what there is."""
    facts: dict[str, Any] = {"book": limit.book, "source": limit.source, "confirmed": limit.confirmed, "doubt": doubt(limit)}
    sources = [
        {"document": c.document, "section": c.section, "date": c.date, "mark": c.mark, "verified": MARKS.get(c.mark, "unknown mark")}
        for c in dict.fromkeys(limit.citations)
    ]
    return {k: v for k, v in {**facts, "sources": sources}.items() if v}
