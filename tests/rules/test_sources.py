"""The words for where a limit's figures come from: one function, so that every output says the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.book import MARKS, read_in_original
from rules.limits.spec import Ceiling
from rules.plan import Citation, Limit
from rules.reading import MINUTE
from rules.sources import cited, doubt, mark_words, short_doubt, short_source, source_facts, source_lines, unread_words


def limit(*marks: str, **more: object) -> Limit:
    """A ceiling whose figures carry these marks."""
    found = tuple(Citation("DOC", f"p. {n}", "2020", mark) for n, mark in enumerate(marks, start=1))
    return replace(Limit("cold", Ceiling(4.0), "core", 15 * MINUTE, citations=found), **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("mark", MARKS)
def test_mark_is_told_with_its_meaning(mark: str) -> None:
    """Nobody has to know the letters; memory is loud."""
    words = mark_words(mark)
    assert words.endswith(f"(mark {mark})")
    assert ("FROM MEMORY" in words) is (mark in ("M+", "M"))


@pytest.mark.parametrize("mark", MARKS)
def test_every_mark_but_the_official_texts_is_a_doubt(mark: str) -> None:
    """A copy, an abstract, a computation and memory are told as such; official text is not."""
    assert bool(doubt(limit(mark))) is not read_in_original(mark)
    assert bool(short_doubt(limit(mark))) is not read_in_original(mark)


def test_doubt_names_the_worst_mark_and_that_nobody_confirmed() -> None:
    """One M among O and S is what is told."""
    assert doubt(limit("O", "M", "S")) == "Figures of DOC FROM MEMORY, unverified (mark M), NOT CONFIRMED by anybody against the document."


def test_confirmed_figure_keeps_its_mark_and_names_who_confirmed() -> None:
    """Confirming a figure does not make it one that was read."""
    one = limit("M", confirmed="O. Marsh, 2026-01-12")
    assert doubt(one) == "Figures of DOC FROM MEMORY, unverified (mark M), confirmed by O. Marsh, 2026-01-12."
    assert short_doubt(one) == "figures FROM MEMORY, unverified (mark M), confirmed"
    assert source_facts(one)["confirmed"] == "O. Marsh, 2026-01-12"


def test_limit_of_the_plan_alone_has_its_source_and_no_doubt_of_ours() -> None:
    """A limit written out rests on what the plan says."""
    one = limit(source="common practice")
    assert (doubt(one), source_lines(one), short_source(one)) == ("", ["Common practice."], "common practice")
    assert source_facts(one) == {"source": "common practice"}
    assert source_facts(limit()) == {}


def test_sections_of_one_document_and_mark_share_a_line() -> None:
    """Citations are not repeated, and a long list of sections is cut with its count."""
    lines = cited(Citation("DOC", f"p. {n}", "2020", "O") for n in range(1, 6))
    assert lines == ["DOC (2020), p. 1; p. 2; p. 3 and 2 more: read in the issuing body's own text (mark O)"]


def test_data_names_every_citation_with_its_meaning() -> None:
    """What a program reads: document, section, date, mark, and what the mark means."""
    facts = source_facts(limit("O", "M"))
    assert [s["verified"] for s in facts["sources"]] == [MARKS["O"], MARKS["M"]]
    assert facts["sources"][0] == {"document": "DOC", "section": "p. 1", "date": "2020", "mark": "O", "verified": MARKS["O"]}


def test_table_from_memory_is_announced_before_its_rows() -> None:
    """Also where the marks come one by one; a table that was read has no such sentence."""
    assert unread_words(iter(["O", "M", "M+"])).startswith("Rows marked M+ are from memory")
    assert "rows marked M are from memory, unverified" in unread_words(["M+", "M"])
    assert unread_words(["O", "S"]) == ""
