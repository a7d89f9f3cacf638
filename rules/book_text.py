"""Books and plan remarks as plain text for an 80-column terminal."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from rules.book import MARKS, Book, BookRow, Table, book_names, load_book
from rules.plan import Plan
from rules.checks.remark import PlanRemark

_WIDTH = 79
_FAT_BLOCK = 6

CAUTION = (
    "A plan supports a HACCP plan and does not replace one. Limits must be validated for the establishment's own products by a "
    "qualified person; local law and the inspector decide."
)


def books_text(name: str | None = None) -> str:
    """The list of books, or one book, or one table named as "book/table", with citations and marks.

    Raises BookError in one sentence for a name that there is not.
    """
    if name is None:
        return "\n".join(_list()) + "\n"
    book_name, _, table_name = name.partition("/")
    book = load_book(book_name)
    lines = [*_table(book, book.table(table_name))] if table_name else list(_book(book))
    return "\n".join([*lines, "", *_legend(book)]) + "\n"


def check_text(plan: Plan, remarks: Sequence[PlanRemark], name: str = "plan.toml") -> str:
    """What `check_plan` found, one remark a line with file, line and severity, and the count at the end."""
    steps = [s for p in plan.products for s in p.steps]
    limits = sum(len(s.limits) for s in steps) + sum(len(s.limits) for s in plan.standing)
    lines = [
        f"{name}: {plan.site.name or plan.site.id}, {_count(len(plan.products), 'product')}, {_count(len(steps), 'step')}, "
        f"{_count(limits, 'limit')}, {_count(len(plan.probes), 'probe')}; sha256 {plan.sha256[:12]}"
    ]
    lines += [f"{name}{f', line {r.line}' if r.line else ''}: {r.severity}: {r.sentence}" for r in remarks]
    counts = Counter(r.severity for r in remarks)
    lines.append(", ".join(_count(counts[s], s) for s in ("error", "warning", "note")) + ".")
    lines += _wrap(CAUTION)
    return "\n".join(lines) + "\n"


def _count(n: int, what: str) -> str:
    return f"{n or 'no'} {what}{'' if n == 1 else 's'}"


def _wrap(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)


def _list() -> Iterator[str]:
    for name in book_names():
        book = load_book(name)
        marks = {r.citation.mark for t in book.tables.values() for r in t.all_rows()}
        yield f"{name}"
        yield from _wrap(f"{book.title}. {_count(len(book.tables), 'table')}; marks {', '.join(m for m in MARKS if m in marks)}.", "  ")
    yield ""
    yield from _wrap('Print one with "larderer books NAME", one table with "larderer books NAME/TABLE".')
    yield ""
    yield from _marks(MARKS)


def _book(book: Book) -> Iterator[str]:
    yield book.name
    yield "=" * len(book.name)
    yield from _wrap(book.title + ".")
    yield ""
    yield from _wrap(book.about)
    yield ""
    yield "Tables:"
    yield from textwrap.wrap(", ".join(book.tables), _WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
    for table in book.tables.values():
        yield ""
        yield from _table(book, table)


def _table(book: Book, table: Table) -> Iterator[str]:
    yield table.name
    yield "-" * len(table.name)
    yield from _wrap(f"{table.title}. Kind: {table.kind}.")
    conditions = []
    if table.species:
        conditions.append("for " + ", ".join(table.species))
    if table.cured is not None:
        conditions.append("cured only" if table.cured else "uncured only")
    if conditions:
        yield from _wrap("Product: " + "; ".join(conditions) + ".")
    rows = table.all_rows()
    same = len({r.citation for r in rows}) == 1
    for document in dict.fromkeys(r.citation.document for r in rows):
        title, date = book.documents[document]
        section = f", {rows[0].citation.section}" if same else ""
        yield from _wrap(f"Source: {document}{section} ({date}). {title}.")
    if table.start:
        yield f"  the clock starts at {table.start}"
    yield from _by_fat(table) if table.by_fat else (_row(r, same) for r in table.rows)
    for need in table.needs:
        values = " and ".join(f"{k} {v:g}" for k, v in need.values.items())
        yield _line(f"needs at least {values}", need, same)
    if table.begin_within:
        yield _line(f"start within {table.begin_within.values['time']} of the end of cooking", table.begin_within, same)
    if table.integral:
        v = table.integral.values
        yield from _wrap(
            f"As a sum: D {v['d_value']} at {v['reference']}, z {v['z_value']}, nothing below {v['floor']}, "
            f"target {v['target_log']:g} log; "
            f"{table.integral.citation.mark}: {table.integral.citation.section}.",
            "  ",
        )
    if table.note:
        yield from _wrap(table.note, "  ")


_WORDS = {
    "at": "at or above", "for": "for", "to": "down to", "within": "within", "by": "by", "from": "from", "low": "from", "high": "to",
    "max": "at most", "min": "at least", "allowed": "time over allowed", "above": "above", "base": "above", "chamber_from": "chamber from",
    "chamber_to": "chamber to", "limit": "less than", "until_ph": "until pH",
}  # fmt: skip


def _row(row: BookRow, same: bool) -> str:
    values = row.values
    if set(values) == {"at", "for"}:
        text = f"{values['at']:>8}   {values['for']:<10}"
    else:
        text = " ".join(f"{_WORDS.get(k, k)} {v}" + (" from the start" if k == "by" else "") for k, v in values.items())
    return _line(text + (f' (printed "{row.printed}")' if row.printed else ""), row, same)


def _line(text: str, row: BookRow, same: bool) -> str:
    cited = row.citation.mark if same else f"{row.citation.mark}  {row.citation.section}"
    line = f"  {text:<34} {cited}"
    return line if len(line) <= _WIDTH else "\n".join(_wrap(f"{text}   {cited}", "  "))


def _by_fat(table: Table) -> Iterator[str]:
    """Twelve columns do not fit 80 characters, so they are printed six at a time."""
    columns = len(table.rows[0].values["for"])
    for first in range(0, columns, _FAT_BLOCK):
        block = range(first, first + _FAT_BLOCK)
        yield "  " + "fat".rjust(7) + "".join(f"{c + 1} %".rjust(10) for c in block) + "  mark"
        for row in table.rows:
            yield "  " + row.values["at"].rjust(7) + "".join(row.values["for"][c].rjust(10) for c in block) + f"  {row.citation.mark}"


def _legend(book: Book) -> Iterator[str]:
    used = {r.citation.mark for t in book.tables.values() for r in (*t.all_rows(), *((t.integral,) if t.integral else ()))}
    return _marks({m: words for m, words in MARKS.items() if m in used})


def _marks(marks: Mapping[str, str]) -> Iterator[str]:
    yield "Marks, how well a row was verified:"
    for mark, words in marks.items():
        yield f"  {mark:<4} {words}"
    yield from _wrap(
        "A critical limit may rest on O and O-s rows as they are. For every other mark a person compares the row with the document and "
        'writes confirmed = "who, when, against what" in the plan.'
    )
