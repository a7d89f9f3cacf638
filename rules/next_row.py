"""Which other row of a book a lot may be judged by, where it does not meet the conditions of its own."""

from __future__ import annotations

from collections.abc import Mapping

from rules.book import Table, load_book
from rules.plan import Product


def next_row(ref: str | None, product: Product, values: Mapping[str, float]) -> str:
    """The first later, else other, cooling table of the book whose conditions the product and the lot's measures meet.

    As a sentence to add; "" for a limit of no book. `ref` names the limit's own table, `values` the least value entered of each measure.
    """
    if not ref:
        return ""
    book, _, own = ref.partition("/")
    names = list(tables := load_book(book).tables)
    at = names.index(own)
    for name in (*names[at + 1 :], *names[:at]):
        if _applies(tables[name], product, values):
            return f"; the next row that what was entered allows is {book}/{name}"
    return f"; no other cooling table of {book} fits what was entered"


def _applies(table: Table, product: Product, values: Mapping[str, float]) -> bool:
    if table.kind != "cooling" or not table.compare:
        return False
    if (table.species and product.species not in table.species) or table.cured not in (None, product.cured):
        return False
    needs = [{k: float(v) for k, v in row.values.items()} for row in table.needs]
    return not needs or any(all(values.get(k, float("-inf")) >= v for k, v in option.items()) for option in needs)
