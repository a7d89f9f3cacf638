"""A limit against published tables: how well its rows were read, whether they are for such a product, whether it is laxer."""

from __future__ import annotations

from collections.abc import Iterator

from rules.book import MARKS, Table, book_names, load_book, read_in_original
from rules.checks.remark import PlanRemark, Severity
from rules.limits.spec import HoldLethality, IntegratedLethality
from rules.plan import Limit, Plan, Product
from rules.quantity import format_span
from rules.reading import Span
from rules.strictness import laxer
from rules.wording import temperature

_DEFAULT_BOOK = "us-inspected-2021"


def marks(plan: Plan, limit: Limit, table: Table, where: str) -> Iterator[PlanRemark]:
    """Whether the book is one of the site's, and which of its rows nobody has read in the original or confirmed."""
    if table.book not in plan.site.books:
        yield PlanRemark("warning", f"{where}: book {table.book} is none of the site's books; write it into [site] books", limit.line)
    unread = {c.mark: c for c in reversed(limit.citations) if not read_in_original(c.mark)}
    if not unread:
        return
    told = " and ".join(f"{m} ({MARKS[m]}; {unread[m].document}, {unread[m].section})" for m in MARKS if m in unread)
    rests = f"{where}: {table.ref} has rows marked {told}"
    if limit.confirmed:
        yield PlanRemark("note", f"{rests}, confirmed by {limit.confirmed}", limit.line)
        return
    severity: Severity = "error" if limit.critical else "warning"
    ask = 'compare them with the document and write confirmed = "who, when, against what"'
    yield PlanRemark(severity, f"{rests}, which nobody has confirmed; {ask}", limit.line)


def fits(product: Product | None, limit: Limit, table: Table, where: str) -> Iterator[PlanRemark]:
    """Whether the table is for such a product."""
    if product is None:
        return
    # A meat product judged by a poultry table is judged more strictly: any poultry in it makes that the right one.
    if table.species and product.species not in table.species and not (product.species == "meat" and "meat" not in table.species):
        fitting = [t.name for t in load_book(table.book).tables.values() if t.kind == table.kind and product.species in t.species]
        remedy = f"write one of {', '.join(fitting)}" if fitting else "take another book"
        yield PlanRemark(
            "error", f"{where}: {table.ref} is for {' or '.join(table.species)}, the product is {product.species}; {remedy}", limit.line
        )
    if table.cured is not None and table.cured != product.cured:
        is_cured, wants = ("cured" if product.cured else "uncured"), ("cured" if table.cured else "uncured")
        fitting = [t.name for t in load_book(table.book).tables.values() if t.kind == table.kind and t.cured in (None, product.cured)]
        sentence = f"{where}: {table.ref} is for {wants} product, and {product.code} is {is_cured}"
        yield PlanRemark(
            "error", f"{sentence}; write one of {', '.join(fitting)}, or cured = {str(table.cured).lower()} if it is", limit.line
        )
    if table.name == "meat-5-log":
        sentence = f"{where}: 5-log is for shelf-stable meat, and for other meat only with further support (FSIS-GD-2021-14 p. 18)"
        yield PlanRemark("warning", f"{sentence}; write meat-6.5-log, or the support as source", limit.line)


def against_site_books(plan: Plan, product: Product, limit: Limit, where: str) -> Iterator[PlanRemark]:
    """A limit that names no book, against those tables of the site's books that speak of such a product."""
    if limit.kind not in ("lethality", "come-up", "cooling", "humidity", "degree-hours"):
        return
    unit = plan.site.unit
    tables = _candidates(plan.site.books, product, limit)
    if isinstance(limit.rule, HoldLethality):
        for row in (r for r in limit.rule.rows if r.length == 0):
            asked_by = tables or _candidates((_DEFAULT_BOOK,), product, limit)
            asks = [(t, a) for t in asked_by if (a := _asks(t, row.at_c, product)) is not None]
            if asks and min(a for _, a in asks) > 0:
                table, time = asks[0]
                at = temperature(row.at_c, unit)
                sentence = f"{where}: {at} for 0 s is a bare temperature, where {table.ref} asks to hold it for {format_span(time)}"
                yield PlanRemark("error", f'{sentence}; write that time, or book = "{table.ref}"', limit.line)
                return
    reasons = [(t, laxer(limit.rule, t.rule(product.fat_pct), unit)) for t in tables]
    if not reasons or not reasons[0][1]:
        return
    table, reason = reasons[0]
    if all(r for _, r in reasons):
        severity: Severity = "warning" if limit.confirmed else "error"
        yield PlanRemark(severity, f"{where}: laxer than every table of the site's books, {table.ref} first: {reason}", limit.line)
    elif limit.kind == "lethality":
        yield PlanRemark("warning", f"{where}: laxer than {table.ref}: {reason}", limit.line)


def _candidates(books: tuple[str, ...], product: Product, limit: Limit) -> list[Table]:
    return [
        table
        for name in books
        if name in book_names()
        for table in load_book(name).tables.values()
        if table.kind == limit.kind
        and table.compare
        and (not table.species or product.species in table.species)
        and table.cured in (None, product.cured)
        and not isinstance(limit.rule, IntegratedLethality)
    ]


def _asks(table: Table, at_c: float, product: Product) -> Span | None:
    """How long a hold table wants a temperature held; None where it begins above it."""
    rule = table.rule(product.fat_pct)
    rows = [r.length for r in rule.rows if r.at_c <= at_c + 0.0005] if isinstance(rule, HoldLethality) else []
    return min(rows, default=None)
