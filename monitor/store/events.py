"""Lot events in the store, as people entered them; taking one back is an event of its own ("undo").

One that was stored again with the right time (`evidence.Restamped`) is not among them any more.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, func, insert, select

from monitor.store import evidence
from monitor.store.dialect import streamed
from monitor.store.schema import lot_event
from rules.reading import Instant, LotEvent


class StoredEvent(NamedTuple):
    """One lot event as it is stored; `seq` is its place in the order of arrival."""

    event: LotEvent
    received_at: Instant
    seq: int


def add(conn: Connection, event: LotEvent, received_at: Instant) -> int:
    """Put one lot event away; returns its place in the order of arrival."""
    values = {**event._asdict(), "received_at": received_at}
    return int(conn.execute(insert(lot_event).values(values).returning(lot_event.c.seq)).scalar_one())


def since(conn: Connection, seq: int = 0) -> Iterator[StoredEvent]:
    """Events that arrived after place `seq`, in order of arrival."""
    return _read(conn, select(lot_event).where(lot_event.c.seq > seq).order_by(lot_event.c.seq))


def behind(conn: Connection, at: Instant) -> Iterator[StoredEvent]:
    """Events after the instant `at`, in order of arrival."""
    # By the number alone SQLite would read every entry ever made, in its order, for the few behind `at`.
    return _read(conn, select(lot_event).where(lot_event.c.at > at).order_by(lot_event.c.seq + 0))


def between(conn: Connection, after: Instant, until: Instant) -> Iterator[StoredEvent]:
    """Events with `after < at <= until`, in order of `at`, then of arrival."""
    query = select(lot_event).where(lot_event.c.at > after, lot_event.c.at <= until)
    return _read(conn, query.order_by(lot_event.c.at, lot_event.c.seq))


def of_lot(conn: Connection, lot: str) -> list[StoredEvent]:
    """Every event of one lot, in order of `at`, then of arrival."""
    return list(_read(conn, select(lot_event).where(lot_event.c.lot == lot).order_by(lot_event.c.at, lot_event.c.seq)))


def arrived(conn: Connection, first_seq: int) -> list[StoredEvent]:
    """Events from place `first_seq` on, in order of arrival, whether they count or not."""
    rows = conn.execute(select(lot_event).where(lot_event.c.seq >= first_seq).order_by(lot_event.c.seq))
    return [StoredEvent(LotEvent(r.at, r.event, r.lot, r.name, r.value, r.entered, r.by), r.received_at, r.seq) for r in rows]


def last_seq(conn: Connection) -> int:
    """The place of the newest event, 0 where there is none."""
    return conn.execute(select(func.max(lot_event.c.seq))).scalar() or 0


def _read(conn: Connection, query: Select[Any]) -> Iterator[StoredEvent]:
    for row in streamed(conn, query.where(*evidence.rule(conn).event_condition(lot_event))):
        event = LotEvent(row.at, row.event, row.lot, row.name, row.value, row.entered, row.by)
        yield StoredEvent(event, row.received_at, row.seq)
