"""Limit books: published limits as data, loaded from `rules/books/*.toml` and looked up by name.

A book holds tables, a table holds rows, and every row carries its citation and its mark: how well the figure
was verified. Numbers stay in the unit in which they were published until a rule is made of them.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

from rules.book_process import PROCESS_MAKERS
from rules.errors import BookError, QuantityError
from rules.limits.spec import (
    Ceiling,
    ComeUp,
    Cooling,
    Exposure,
    Floor,
    HoldLethality,
    IntegratedLethality,
    Need,
    Row,
    Rule,
    Tier,
    Window,
)  # fmt: skip
from rules.plan import Citation
from rules.quantity import parse_difference, parse_span, parse_temperature
from rules.science.errors import ScienceError

#: What a row's mark means, best first.
MARKS: Mapping[str, str] = {
    "O": "read in the issuing body's own text",
    "O-s": "official model text, read through a state's adoption of it",
    "S": "read in somebody else's reproduction or excerpt of it",
    "A": "read in the abstract of a paper only",
    "C": "computed from other rows by us",
    "M+": "from memory, partly corroborated by something read",
    "M": "from memory, unverified",
}
#: A critical limit may rest on rows of these marks without a person's confirmation.
READ_IN_ORIGINAL = frozenset({"O", "O-s"})

#: Kinds that a book may hold for reading, and that no rule is made of.
UNJUDGED_KINDS = ("reference",)

_ROW_META = ("mark", "section", "document", "date", "printed")
_FAT_COLUMNS = 12
_TABLES_NAMED = 6


def read_in_original(mark: str) -> bool:
    """Whether a row of this mark was read in the official text, so that it needs no confirmation."""
    return mark in READ_IN_ORIGINAL


@dataclass(frozen=True, slots=True)
class BookRow:
    """One published row. `values` are the published figures with their units, by the plan's key names.

    `printed` is the document's own wording where it differs from what is judged ("instant" is judged as 0 s).
    """

    values: Mapping[str, Any]
    citation: Citation
    printed: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One published limit. `species` empty and `cured` None: it makes no such condition.

    `needs` are alternatives, any one of which must be met. `compare` is False for tables with a purpose of
    their own (trichinae, patties): a limit that names no book is not compared with them.

    `conditions` are what the document asks besides and no watch judges, one row each: {continuous = true}, {cooked = "fully"},
    {intact = true}; with `instead_of` a row stands for another one ("needs", "continuous"), as a greatest water activity does.
    `endpoint` of a humidity table: the lethality rows it is for are those at or above it ("" for any).
    """

    book: str
    name: str
    title: str
    kind: str
    rows: tuple[BookRow, ...]
    species: tuple[str, ...] = ()
    cured: bool | None = None
    note: str = ""
    start: str = ""
    needs: tuple[BookRow, ...] = ()
    begin_within: BookRow | None = None
    integral: BookRow | None = None
    warn_below: str = ""
    compare: bool = True
    longer_of: tuple[str, ...] = field(default=())
    conditions: tuple[BookRow, ...] = ()
    endpoint: str = ""

    @property
    def ref(self) -> str:
        """How a plan names the table: "us-inspected-2021/meat-6.5-log"."""
        return f"{self.book}/{self.name}"

    @property
    def by_fat(self) -> bool:
        """Whether the times depend on the product's fat."""
        return any(isinstance(r.values.get("for"), list) for r in self.rows)

    def all_rows(self) -> tuple[BookRow, ...]:
        """Rows, conditions and all else that carries a citation, apart from the integral."""
        return (*self.rows, *self.needs, *((self.begin_within,) if self.begin_within else ()), *self.conditions)

    def citations(self, fat_pct: float | None = None, *, integrated: bool = False) -> tuple[Citation, ...]:
        """The distinct citations of the rows that a rule is made of, in the table's order."""
        if integrated and self.integral:
            return (self.integral.citation,)
        found = list(dict.fromkeys(r.citation for r in self.all_rows()))
        if self.by_fat:
            column = f", {fat_column(fat_pct)} % fat column"
            found = [Citation(c.document, c.section + column, c.date, c.mark, c.note) for c in found]
        return tuple(found)

    def rule(self, fat_pct: float | None = None) -> Rule:
        """The rule that the table states, for a product of that fat where it depends on it.

        Raises BookError for a table that is there for reading only.
        """
        maker = _MAKERS.get(self.kind)
        if maker is None:
            raise BookError(f'table "{self.ref}" is printed for reading and does not judge; take another table or write the limit out')
        return maker(self, fat_pct)

    def integrated(self, validated_by: str) -> IntegratedLethality:
        """The table's D and z as an integrated lethality. Raises BookError where the book gives none."""
        if self.integral is None:
            raise BookError(f'table "{self.ref}" gives no D and z; use method = "hold", or write the five numbers out')
        v = self.integral.values
        return IntegratedLethality(
            parse_temperature(v["reference"]), parse_span(v["d_value"]), parse_difference(v["z_value"]),
            parse_temperature(v["floor"]), float(v["target_log"]), validated_by,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Book:
    """A cited set of limits. `documents` maps a short name to (title, date)."""

    name: str
    title: str
    about: str
    documents: Mapping[str, tuple[str, str]]
    tables: Mapping[str, Table]

    def table(self, name: str) -> Table:
        """The table of that name. Raises BookError that names the nearest there are."""
        try:
            return self.tables[name]
        except KeyError:
            # A book of forty tables would drown the sentence.
            near = difflib.get_close_matches(name, self.tables, n=3, cutoff=0.3)
            shown = [*near, *(t for t in self.tables if t not in near)][:_TABLES_NAMED]
            more = f" and {len(self.tables) - len(shown)} more" if len(self.tables) > len(shown) else ""
            sentence = f'book "{self.name}" has no table "{name}"; it has {", ".join(shown)}{more}'
            raise BookError(f"{sentence} (larderer books {self.name} lists them)") from None


def book_names() -> tuple[str, ...]:
    """The names of all books, in order."""
    return tuple(sorted(f.name.removesuffix(".toml") for f in resources.files("rules.books").iterdir() if f.name.endswith(".toml")))


@cache
def load_book(name: str) -> Book:
    """The book of that name. Raises BookError that lists those there are, or names what is malformed."""
    if name not in book_names():
        raise BookError(f'there is no book "{name}"; there are {", ".join(book_names())}')
    return parse_book((resources.files("rules.books") / f"{name}.toml").read_text(encoding="utf-8"), name)


def load_table(ref: str) -> Table:
    """The table that a plan names as "book/table"."""
    book, slash, name = ref.partition("/")
    if not slash:
        raise BookError(f'book is "{ref}"; write the book and its table, such as "us-inspected-2021/meat-6.5-log"')
    return load_book(book).table(name)


def fat_column(fat_pct: float | None) -> int:
    """The column, 1 to 12 %, for a fat content: the next whole percent up; unknown or above 12: the 12 % column."""
    return _FAT_COLUMNS if fat_pct is None else min(max(math.ceil(fat_pct), 1), _FAT_COLUMNS)


def parse_book(text: str, name: str) -> Book:
    """A book from its TOML text; every row is read once, so that a malformed one is found here."""
    try:
        data = tomllib.loads(text)
        documents = {k: (d["title"], d["date"]) for k, d in data["documents"].items()}
        tables: dict[str, Table] = {}
        for table_name, raw in data["tables"].items():
            tables[table_name] = _table(name, table_name, raw, documents, tables)
        return Book(name, data["title"], data["about"].strip(), documents, tables)
    except (tomllib.TOMLDecodeError, KeyError, TypeError, QuantityError, ScienceError) as error:
        raise BookError(f"book {name} is malformed ({error}); restore the file as it was published") from error


def _table(book: str, name: str, raw: Mapping[str, Any], documents: Mapping[str, tuple[str, str]], done: Mapping[str, Table]) -> Table:
    def row(values: Mapping[str, Any]) -> BookRow:
        document = values.get("document", raw["document"])
        date = values.get("date", documents[document][1])
        if values["mark"] not in MARKS:
            raise KeyError(f'mark "{values["mark"]}" in table {name}')
        citation = Citation(document, values["section"], date, values["mark"], raw.get("note", "").strip())
        return BookRow({k: v for k, v in values.items() if k not in _ROW_META}, citation, values.get("printed", ""))

    rows = tuple(row(r) for r in raw["rows"])
    longer_of = tuple(raw.get("longer_of", ()))
    if longer_of:
        rows = _longer(*(done[t] for t in longer_of))
    table = Table(
        book, name, raw["title"], raw["kind"], rows, tuple(raw.get("species", ())), raw.get("cured"), raw.get("note", "").strip(),
        raw.get("start", ""), tuple(row(r) for r in raw.get("needs", ())), row(raw["begin_within"]) if "begin_within" in raw else None,
        row(raw["integral"]) if "integral" in raw else None, raw.get("warn_below", ""), raw.get("compare", True), longer_of,
        tuple(row(c) for c in raw.get("conditions", ())), raw.get("endpoint", ""),
    )  # fmt: skip
    if table.endpoint:
        parse_temperature(table.endpoint)
    if table.kind not in UNJUDGED_KINDS:
        table.rule()
    return table


def _longer(first: Table, second: Table) -> tuple[BookRow, ...]:
    """Rows of two fat tables with, column by column, the longer of the two times."""
    other = {r.values["at"]: r for r in second.rows}
    rows = []
    for a in first.rows:
        b = other[a.values["at"]]
        times = [max(x, y, key=parse_span) for x, y in zip(a.values["for"], b.values["for"], strict=True)]
        section = f"p. 36, longer of {a.citation.section} and {b.citation.section}"
        citation = Citation(a.citation.document, section, a.citation.date, a.citation.mark, a.citation.note)
        rows.append(BookRow({"at": a.values["at"], "for": times}, citation))
    return tuple(rows)


def _lethality(table: Table, fat_pct: float | None) -> Rule:
    def time(value: str | Sequence[str]) -> str:
        return value if isinstance(value, str) else value[fat_column(fat_pct) - 1]

    rows = [Row(parse_temperature(r.values["at"]), parse_span(time(r.values["for"]))) for r in table.rows]
    return HoldLethality(tuple(sorted(rows, key=lambda r: r.at_c)))


def _come_up(table: Table, _fat: float | None) -> Rule:
    v = table.rows[0].values
    return ComeUp(parse_temperature(v["low"]), parse_temperature(v["high"]), parse_span(v["within"]))


def _cooling(table: Table, _fat: float | None) -> Rule:
    windows = tuple(
        Window(
            parse_temperature(r.values["to"]),
            parse_span(r.values["within"]) if "within" in r.values else None,
            parse_span(r.values["by"]) if "by" in r.values else None,
        )
        for r in table.rows
    )
    needs = tuple(tuple(Need(k, float(v)) for k, v in r.values.items()) for r in table.needs)
    begin = parse_span(table.begin_within.values["time"]) if table.begin_within else None
    return Cooling(parse_temperature(table.start), windows, needs, begin)


def _ceiling(table: Table, _fat: float | None) -> Rule:
    v = table.rows[0].values
    return Ceiling(parse_temperature(v["max"]), parse_span(v.get("allowed", "0 s")))


def _floor(table: Table, _fat: float | None) -> Rule:
    v = table.rows[0].values
    return Floor(parse_temperature(v["min"]), parse_span(v.get("allowed", "0 s")))


def _exposure(table: Table, _fat: float | None) -> Rule:
    return Exposure(tuple(Tier(parse_temperature(r.values["above"]), parse_span(r.values["within"])) for r in table.rows))


_MAKERS = {
    "lethality": _lethality,
    "come-up": _come_up,
    "cooling": _cooling,
    "ceiling": _ceiling,
    "floor": _floor,
    "exposure": _exposure,
    **PROCESS_MAKERS,
}
