"""Books and plan remarks as plain text for an 80-column terminal."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import zip_longest
from typing import Any

from rules.book import MARKS, UNJUDGED_KINDS, Book, BookRow, Table, book_names, load_book
from rules.checks.remark import PlanRemark
from rules.plan import Plan
from rules.sources import unread_words

_WIDTH = 79
_FAT_BLOCK = 6
#: Characters that a row's own text may take beside its mark and section, and those of the mark.
_TEXT = 46
_MARK = 4

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
    chosen = [book.table(table_name)] if table_name else list(book.tables.values())
    lines = [*_table(book, chosen[0])] if table_name else list(_book(book))
    return "\n".join([*lines, "", *_legend(chosen)]) + "\n"


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


def _wrap(text: str, indent: str = "", rest: str | None = None) -> list[str]:
    after = indent if rest is None else rest
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=after, break_on_hyphens=False)


def _list() -> Iterator[str]:
    for name in book_names():
        book = load_book(name)
        marks = {r.citation.mark for t in book.tables.values() for r in t.all_rows()}
        yield f"{name}"
        yield from _wrap(f"{book.title}. {_count(len(book.tables), 'table')}; marks {', '.join(m for m in MARKS if m in marks)}.", "  ")
    yield ""
    yield from _wrap('Print one with "larderer books NAME", one table with "larderer books NAME TABLE".')
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
    by_kind: dict[str, list[str]] = {}
    for table in book.tables.values():
        by_kind.setdefault(table.kind, []).append(table.name)
    for kind, names in by_kind.items():
        yield from textwrap.wrap(
            f"{kind}: {', '.join(names)}", _WIDTH, initial_indent="  ", subsequent_indent="      ", break_on_hyphens=False
        )
    for table in book.tables.values():
        yield ""
        yield from _table(book, table)


def _table(book: Book, table: Table) -> Iterator[str]:
    yield table.name
    yield "-" * len(table.name)
    yield from _wrap(f"{table.title}. Kind: {table.kind}{', for reading only' if table.kind in UNJUDGED_KINDS else ''}.")
    if product := _product(table):
        yield from _wrap(f"Product: {product}.")
    rows = [*table.all_rows(), *((table.integral,) if table.integral else ())]
    documents = list(dict.fromkeys(r.citation.document for r in rows))
    sections = list(dict.fromkeys(r.citation.section for r in rows if r is not table.integral))
    for n, document in enumerate(documents, start=1):
        title, date = book.documents[document]
        section = f", {sections[0]}" if len(sections) == 1 and len(documents) == 1 else ""
        yield from _wrap(f"Source{f' [{n}]' if len(documents) > 1 else ''}: {document}{section} ({date}). {title}.")
    yield from _wrap(unread_words(r.citation.mark for r in rows))
    yield ""
    if table.by_fat:
        yield from _by_fat(table)
    elif any("code" in r.values for r in table.rows):
        yield from _by_code(table, documents)
    else:
        yield from _aligned(_lines(table), documents, shown=len(sections) > 1 or len(documents) > 1)
    if table.integral:
        v, cited = table.integral.values, table.integral.citation
        terms = f"D {v['d_value']} at {v['reference']}, z {v['z_value']}, nothing below {v['floor']}, target {v['target_log']:g} log"
        yield ""
        yield from _wrap(f"As a sum: {terms}. Mark {cited.mark}: {cited.section}.", "  ")
    if table.note:
        yield ""
        yield from _wrap(table.note, "  ")


def _product(table: Table) -> str:
    parts = ["for " + ", ".join(table.species)] if table.species else []
    if table.cured is not None:
        parts.append("cured only" if table.cured else "uncured only")
    return "; ".join(parts)


#: How a published figure reads before its value. A key that is not here stands as it is.
_WORDS = {
    "at": "", "for": "for", "from": "from", "to": "to", "within": "within", "by": "by", "low": "from", "high": "to", "max": "at most",
    "min": "at least", "allowed": "time over allowed", "above": "above", "base": "above", "chamber_from": "chamber from",
    "chamber_to": "chamber to", "limit": "less than", "until_ph": "until pH", "min_rh": "RH at least", "share": "for at least",
    "at_least": "and at least", "measure": "", "best": "best", "then_to": "until", "surface_from": "surface from", "surface_to": "to",
}  # fmt: skip
#: Where the order of columns is not that of the first row.
_ORDER = ("code", "measure", "chamber_from", "chamber_to", "min_rh", "share", "at_least", "from", "to", "above", "at", "low", "high")
_AFTER = {"by": " from the start", "share": " of the cook"}
_COLD_TO = {"cooling": "down to"}


def _cells(values: Mapping[str, Any], kind: str) -> dict[str, str]:
    """Each figure of a row with its word before it, by its key."""
    cells = {}
    unit = " ppm" if str(values.get("measure", "")).endswith("_ppm") else ""
    for key, value in values.items():
        word = _COLD_TO.get(kind, "to") if key == "to" else "" if key == "base" else _WORDS.get(key, key.replace("_", " "))
        shown = f"{value:g}{unit}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
        cells[key] = f"{word} {shown}".strip() + _AFTER.get(key, "")
    if "share" not in values and "at_least" in cells:
        cells["at_least"] = f"for at least {values['at_least']}"
    return cells


def condition_words(values: Mapping[str, Any]) -> str:
    """A condition that no watch judges, in words."""
    lead = (
        f"or, instead of {'the needs' if values['instead_of'] == 'needs' else 'going on without a stop'}: "
        if "instead_of" in values
        else ""
    )
    if values.get("continuous"):
        end = f" until {values['then_to']}" if "then_to" in values else ""
        start = f", starting within {values['start_within']}" if "start_within" in values else ""
        return f"{lead}the cooling goes on without a stop{end}{start}"
    if "cooked" in values:
        return f"{lead}{values['cooked']} cooked product"
    if values.get("intact"):
        return f"{lead}intact pieces"
    if "surface_from" in values:
        return f"{lead}the surface at most {values['within']} from {values['surface_from']} to {values['surface_to']}"
    return lead + ", ".join(_cells({k: v for k, v in values.items() if k != "instead_of"}, "").values())


def _lines(table: Table) -> Iterator[tuple[dict[str, str], BookRow | None]]:
    """Every line of a table: its cells by their key, and the row that it cites; a cell without a key takes the whole line."""
    if table.start:
        yield {"": f"the clock starts at {table.start}"}, None
    if table.kind in ("degree-hours",) and len({r.values["base"] for r in table.rows}) == 1:
        yield {"": f"the sum above {table.rows[0].values['base']}, by the highest chamber temperature"}, None
    for row in table.rows:
        values = {k: v for k, v in row.values.items() if not (table.kind == "degree-hours" and k == "base")}
        yield {**_cells(values, table.kind), **({"printed": f'printed "{row.printed}"'} if row.printed else {})}, row
    for n, need in enumerate(table.needs):
        least = " and ".join(f"{k} {v:g}" for k, v in need.values.items())
        yield {"": f"{'or ' if n else 'needs '}at least {least}"}, need
    if table.begin_within:
        yield {"": f"start within {table.begin_within.values['time']} of the end of cooking"}, table.begin_within
    if table.endpoint:
        yield {"": f"only with lethality rows of {table.endpoint} or more"}, None
    for condition in table.conditions:
        yield {"": f"{condition_words(condition.values)} (not judged)"}, condition


def _aligned(lines: Iterable[tuple[dict[str, str], BookRow | None]], documents: Sequence[str], *, shown: bool) -> Iterator[str]:
    """Cells under one another, then the mark, then the section where the rows do not share it; a section is not said twice running."""
    lines = list(lines)
    found = dict.fromkeys(k for cells, _ in lines for k in cells if k)
    keys = sorted(found, key=lambda k: (_ORDER.index(k) if k in _ORDER else len(_ORDER), k == "printed"))
    widths = {k: max(len(cells.get(k, "")) for cells, _ in lines) for k in keys}
    texts = [cells[""] if "" in cells else "  ".join(cells.get(k, "").ljust(widths[k]) for k in keys) for cells, _ in lines]
    # Where the columns together are too wide, a row is read as a sentence instead.
    most = _TEXT if shown else _WIDTH - 2 - _MARK
    if any(len(t.rstrip()) > most for (cells, _), t in zip(lines, texts, strict=True) if "" not in cells):
        texts = [cells[""] if "" in cells else ", ".join(cells[k] for k in keys if k in cells) for cells, _ in lines]
    width = min(max(len(t.rstrip()) for t in texts), most)
    said = ""
    for text, (_, row) in zip(texts, lines, strict=True):
        section = ""
        if row is not None and shown:
            number = f"[{documents.index(row.citation.document) + 1}] " if len(documents) > 1 else ""
            section = number + row.citation.section
        mark = [row.citation.mark if row else ""]
        where = _fill("" if section == said else section, max(_WIDTH - width - 4 - _MARK, 1))
        columns = [_fill(text.rstrip(), width), mark, where]
        said = section or said
        for parts in zip_longest(*columns, fillvalue=""):
            yield f"  {parts[0]:<{width}}  {parts[1]:<{_MARK}}{parts[2]}".rstrip()


def _fill(text: str, width: int) -> list[str]:
    """The text in lines of that width, all but the first set in."""
    return textwrap.wrap(text, width, subsequent_indent="  ", break_on_hyphens=False) or [""]


def _by_code(table: Table, documents: Sequence[str]) -> Iterator[str]:
    """Rows that are named and told in words: the name with its mark and section, what it says below it."""
    for row in table.rows:
        number = f"[{documents.index(row.citation.document) + 1}] " if len(documents) > 1 else ""
        yield from _wrap(f"{row.values['code']}   {row.citation.mark}   {number}{row.citation.section}", "  ", "      ")
        cells = _cells({k: v for k, v in row.values.items() if k not in ("code", "situation", "limits")}, table.kind)
        figures = ", ".join(cells.values()) + (f' (printed "{row.printed}")' if row.printed else "")
        told = [str(row.values[k]) for k in ("situation", "limits") if k in row.values]
        yield from _wrap("; ".join([*([figures] if figures else []), *told]), "      ")


def _by_fat(table: Table) -> Iterator[str]:
    """Twelve columns do not fit 80 characters, so they are printed six at a time."""
    columns = len(table.rows[0].values["for"])
    for first in range(0, columns, _FAT_BLOCK):
        block = range(first, first + _FAT_BLOCK)
        yield "  " + "fat".rjust(7) + "".join(f"{c + 1} %".rjust(10) for c in block) + "  mark"
        for row in table.rows:
            yield "  " + row.values["at"].rjust(7) + "".join(row.values["for"][c].rjust(10) for c in block) + f"  {row.citation.mark}"
        if first + _FAT_BLOCK < columns:
            yield ""


def _legend(tables: Iterable[Table]) -> Iterator[str]:
    used = {r.citation.mark for t in tables for r in (*t.all_rows(), *((t.integral,) if t.integral else ()))}
    return _marks({m: words for m, words in MARKS.items() if m in used})


def _marks(marks: Mapping[str, str]) -> Iterator[str]:
    yield "Marks, how well a row was verified:"
    for mark, words in marks.items():
        yield f"  {mark:<4} {words}"
    yield from _wrap(
        "A critical limit may rest on O and O-s rows as they are. For every other mark a person compares the row with the document and "
        'writes confirmed = "who, when, against what" in the plan.'
    )
