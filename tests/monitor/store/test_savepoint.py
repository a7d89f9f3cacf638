"""A part of a transaction is undone alone, also one inside another."""

from sqlalchemy import Connection

from monitor.store import plans
from monitor.store.database import Store
from monitor.store.savepoint import Savepoint


def put(conn: Connection, *keys: str) -> None:
    for key in keys:
        plans.set_setting(conn, key, 1)


def kept(store: Store) -> list[object]:
    with store.read() as conn:
        return [plans.get_setting(conn, key) for key in ("before", "outer", "inner", "after")]


def test_inner_part_is_undone_alone(store: Store) -> None:
    with store.write() as conn:
        put(conn, "before")
        outer = Savepoint(conn, "around")
        put(conn, "outer")
        inner = Savepoint(conn, "inside")
        put(conn, "inner")
        inner.undo()
        put(conn, "after")
        outer.keep()
    assert kept(store) == [1, 1, None, 1]


def test_outer_part_takes_with_it_an_inner_one_that_nobody_ended(store: Store) -> None:
    """An error may pass an inner part by; and what was kept inside goes as well."""
    with store.write() as conn:
        put(conn, "before")
        outer = Savepoint(conn, "around")
        kept_inside = Savepoint(conn, "inside")
        put(conn, "inner")
        kept_inside.keep()
        Savepoint(conn, "inside")
        put(conn, "outer")
        outer.undo()
        put(conn, "after")
    assert kept(store) == [1, None, None, 1]
