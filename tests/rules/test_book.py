"""Limit books: what every row carries, and how tables are looked up and turned into rules."""

from __future__ import annotations

import pytest

from rules.book import (
    MARKS,
    UNJUDGED_KINDS,
    Table,
    book_names,
    fat_column,
    load_book,
    load_table,
    parse_book,
    read_in_original,
)
from rules.book_text import books_text
from rules.errors import BookError
from rules.limits.spec import KIND_OF, Cooling, HoldLethality, IntegratedLethality
from rules.quantity import fahrenheit, parse_span
from rules.reading import MINUTE, SECOND

ALL = [t for name in book_names() for t in load_book(name).tables.values()]
US_TABLES = [
    "meat-5-log", "meat-6.5-log", "meat-7-log", "chicken-7-log", "turkey-7-log", "come-up", "cooling-option-1", "cooling-option-2",
    "cooling-option-3", "cooling-option-4", "trichinae",
]  # fmt: skip
RETAIL_TABLES = ["retail-cook-comminuted", "retail-cook-poultry", "retail-cook-intact", "retail-roast", "retail-cooling"]


def test_the_named_books_exist() -> None:
    """The six books of the outside contract."""
    assert set(book_names()) == {"us-inspected-2021", "us-retail-2022", "canada", "eu-uk", "australia-nz", "trade-practice"}


@pytest.mark.parametrize("ref", [*(f"us-inspected-2021/{t}" for t in US_TABLES), *(f"us-retail-2022/{t}" for t in RETAIL_TABLES)])
def test_the_named_tables_exist_and_make_a_rule(ref: str) -> None:
    """Tables that plans rely on by name."""
    assert load_table(ref).rule(None) is not None


@pytest.mark.parametrize("table", ALL, ids=lambda t: t.ref)
def test_every_row_carries_its_citation_and_mark(table: Table) -> None:
    """Document, section, date and mark on every row, condition and computed value; figures as text with their unit."""
    assert table.rows
    for row in (*table.all_rows(), *((table.integral,) if table.integral else ())):
        assert row.citation.document
        assert row.citation.section
        assert row.citation.date
        assert row.citation.mark in MARKS
        assert row.values


@pytest.mark.parametrize("table", ALL, ids=lambda t: t.ref)
def test_table_makes_a_rule_of_its_own_kind_or_says_why_not(table: Table) -> None:
    """A table printed for reading only is refused in one sentence, never judged by half."""
    if table.kind in UNJUDGED_KINDS:
        with pytest.raises(BookError, match="does not judge"):
            table.rule()
    else:
        assert KIND_OF[type(table.rule())] == table.kind


@pytest.mark.parametrize("table", ALL, ids=lambda t: t.ref)
def test_rows_from_memory_say_so_in_the_text(table: Table) -> None:
    """A person who prints a table sees the mark of every row and what it means."""
    text = books_text(table.ref)
    for mark in {r.citation.mark for r in table.all_rows()}:
        assert f"  {mark:<4} {MARKS[mark]}" in text
        assert any(line.rstrip().endswith(f" {mark}") or f" {mark} " in line for line in text.splitlines())


@pytest.mark.parametrize("name", [*book_names(), None])
def test_book_fits_a_terminal_of_80_columns(name: str | None) -> None:
    """Readable at night on a small screen."""
    assert max(len(line) for line in books_text(name).splitlines()) <= 80


def test_only_official_text_needs_no_confirmation() -> None:
    """O and O-s; a copy, an abstract, a computation and memory all do."""
    assert [m for m in MARKS if read_in_original(m)] == ["O", "O-s"]


def test_unknown_book_lists_those_there_are() -> None:
    """One sentence with every name."""
    with pytest.raises(BookError, match=r'there is no book "us"; there are australia-nz, canada, .*us-retail-2022$'):
        load_book("us")
    with pytest.raises(BookError, match=r"there is no book"):
        load_book("../book")


def test_unknown_table_names_the_nearest_and_where_the_rest_are_listed() -> None:
    """One sentence, which a book of forty tables does not drown."""
    wanted = r'book "us-retail-2022" has no table "cook"; it has .*retail-cook-.* more \(larderer books us-retail-2022 lists them\)'
    with pytest.raises(BookError, match=wanted):
        load_book("us-retail-2022").table("cook")


@pytest.mark.parametrize(("fat", "column"), [(None, 12), (0.0, 1), (1.0, 1), (1.1, 2), (11.0, 11), (11.01, 12), (12.0, 12), (30.0, 12)])
def test_fat_goes_up_to_the_next_column(fat: float | None, column: int) -> None:
    """Unknown or above 12 %: the 12 % column (FSIS-GD-2021-14 p. 39)."""
    assert fat_column(fat) == column


def test_fat_column_is_in_the_citation() -> None:
    """A reader of the record sees which column was used."""
    assert load_table("us-inspected-2021/turkey-7-log").citations(7.2)[0].section == "p. 38, table 4, 8 % fat column"


def test_other_poultry_takes_the_longer_time_of_both_tables() -> None:
    """FSIS-GD-2021-14 p. 36. At 136 °F chicken is longer from 2 % on, at 1 % turkey is (63.3 against 64 min)."""
    for fat in (1.0, 6.0, 12.0):
        rules = [load_table(f"us-inspected-2021/{n}-7-log").rule(fat) for n in ("chicken", "turkey", "other-poultry")]
        chicken, turkey, other = (r for r in rules if isinstance(r, HoldLethality))
        assert [r.length for r in other.rows] == [max(a.length, b.length) for a, b in zip(chicken.rows, turkey.rows, strict=True)]


def test_retail_cooling_counts_its_total_from_the_start() -> None:
    """Food Code 3-501.14(A): 70 °F within 2 h and 41 °F within a total of 6 h from 135 °F."""
    rule = load_table("us-retail-2022/retail-cooling").rule()
    assert isinstance(rule, Cooling)
    first, second = rule.windows
    assert (first.within, first.by, second.within, second.by) == (120 * MINUTE, None, None, 360 * MINUTE)
    assert rule.start_c == pytest.approx(fahrenheit(135))


def test_cooling_conditions_carry_marks_of_their_own() -> None:
    """Option 3's 100 and 250 ppm are from memory, and the book says so beside them."""
    need = load_table("us-inspected-2021/cooling-option-3").needs[0]
    assert (need.values, need.citation.mark) == ({"nitrite_ppm": 100, "erythorbate_ppm": 250}, "M")


def test_integral_of_a_hold_table_names_who_validated_it() -> None:
    """D at 140 °F is the table's 12 min divided by 6.5."""
    rule = load_table("us-inspected-2021/meat-6.5-log").integrated("A. Nobody")
    assert isinstance(rule, IntegratedLethality)
    assert rule.d_value == pytest.approx(12 * MINUTE / 6.5, abs=0.03 * SECOND)
    assert rule.z_value_c == pytest.approx(10 * 5 / 9)
    with pytest.raises(BookError, match="gives no D and z"):
        load_table("us-retail-2022/retail-roast").integrated("A. Nobody")


GOOD = """
title = "t"
about = "a"
[documents]
D = { title = "doc", date = "2020" }
[tables.x]
title = "x"
kind = "ceiling"
document = "D"
rows = [{ max = "41 °F", mark = "O", section = "s" }]
"""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('mark = "O"', 'mark = "X"'),
        ('mark = "O", ', ""),
        (', section = "s"', ""),
        ('"41 °F"', '"41"'),
        ('document = "D"', 'document = "E"'),
        ("rows =", "rows"),
    ],
)
def test_malformed_book_is_refused_as_a_whole(old: str, new: str) -> None:
    """A row without mark, citation or unit never reaches a limit."""
    assert parse_book(GOOD, "good").table("x").rule() is not None
    with pytest.raises(BookError, match="book bad is malformed"):
        parse_book(GOOD.replace(old, new), "bad")


def test_published_times_are_read_exactly() -> None:
    """63.3 min is 3798 s, to the microsecond."""
    assert parse_span("63.3 min") == 3798 * SECOND
