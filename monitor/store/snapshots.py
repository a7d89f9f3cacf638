"""The engine's state, kept so that a restart and a late reading need not judge everything again.

A snapshot says exactly what is in it: of what lies at or before its `at`, the arrivals below `next_seq` and the lot
events up to `event_seq`. What else is stored is fed after it (`monitor/replay.py`).
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, delete, func, insert, select

from monitor.errors import StoreDamaged
from monitor.store import blocks, events
from monitor.store.schema import snapshot
from rules.reading import HOUR, Instant

#: Every snapshot of the newest stretch is kept: what is late by minutes or a few hours replays ten minutes more than that.
ALL_KEPT = 6 * HOUR
#: Then one for each hour, as far as late readings are judged by themselves (`judging.md` section 6) and a margin.
HOURLY_KEPT = 50 * HOUR
#: Then one for each day, as far as a person's entry may be dated back and ended lots are in memory; and one before that.
DAILY_KEPT = 15 * 24 * HOUR
#: Where among the lots of a stored state those stand that are packed apart.
_OVER = "over"


class Snapshot(NamedTuple):
    """The engine's `state` at its own time `at`, under the plan with that SHA-256."""

    at: Instant
    plan: str
    next_seq: int
    event_seq: int
    state: dict[str, Any]


def keep(conn: Connection, state: Mapping[str, Any], at: Instant, plan: str, taken_at: Instant) -> None:
    """Store the engine's state at its own time `at`, which holds all that is stored so far, and prune."""
    conn.execute(
        insert(snapshot).values(
            at=at,
            plan=plan,
            next_seq=blocks.read(conn).next_seq,
            event_seq=events.last_seq(conn),
            taken_at=taken_at,
            data=pack(state),
        )
    )
    prune(conn)


def keep_packed(conn: Connection, at: Instant, plan: str, next_seq: int, event_seq: int, taken_at: Instant, data: bytes) -> None:
    """Store a state taken earlier (`pack`), which holds arrivals below `next_seq` and events up to `event_seq`; prune afterwards."""
    conn.execute(insert(snapshot).values(at=at, plan=plan, next_seq=next_seq, event_seq=event_seq, taken_at=taken_at, data=data))


def pack(state: Mapping[str, Any]) -> bytes:
    """The state as it is stored: what changes, and behind it each lot that is over, which comes packed (`Engine.snapshot`)."""
    lots = state.get("lots", ())
    over = {place: lot for place, lot in enumerate(lots) if isinstance(lot, bytes)}
    if not over:
        return _packed(state)
    rest = [lot for lot in lots if not isinstance(lot, bytes)]
    return b"".join([_packed({**state, "lots": rest, _OVER: [[place, len(lot)] for place, lot in over.items()]}), *over.values()])


def unpack(data: bytes) -> dict[str, Any]:
    """What `pack` was given; zlib.error or ValueError where it cannot be read."""
    stream = zlib.decompressobj()
    text, left = stream.decompress(data), stream.unused_data
    state: dict[str, Any] = json.loads(text)
    for place, size in state.pop(_OVER, ()):
        state["lots"].insert(place, left[:size])
        left = left[size:]
        if len(state["lots"][place]) != size:
            raise ValueError("it ends too soon")
    return state


def _packed(value: Mapping[str, Any]) -> bytes:
    return zlib.compress(json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode("utf-8"), 6)


def newest(conn: Connection, plan: str | None = None) -> Snapshot | None:
    """The snapshot furthest on in event time, of that plan if one is named."""
    return _one(conn, select(snapshot), plan)


def before(conn: Connection, at: Instant, plan: str | None = None) -> Snapshot | None:
    """The newest snapshot strictly before `at`: where a replay for something late at `at` begins."""
    return _one(conn, select(snapshot).where(snapshot.c.at < at), plan)


def at_before(conn: Connection, at: Instant) -> Instant | None:
    """Where `before` would begin, without reading it."""
    return conn.execute(select(func.max(snapshot.c.at)).where(snapshot.c.at < at)).scalar()


def forget_after(conn: Connection, at: Instant) -> int:
    """Delete the snapshots after `at`; returns how many."""
    return forget_from(conn, at + 1)


def forget_from(conn: Connection, at: Instant) -> int:
    """Delete the snapshots at or after `at`, which something late at `at` made wrong; returns how many."""
    return conn.execute(delete(snapshot).where(snapshot.c.at >= at)).rowcount


def prune(conn: Connection) -> int:
    """Thin the snapshots: all of the newest hours, then one an hour, one a day, and one before that; returns how many went."""
    rows = conn.execute(select(snapshot.c.id, snapshot.c.at).order_by(snapshot.c.at.desc(), snapshot.c.id.desc())).all()
    drop: list[int] = []
    stretches: set[tuple[str, Instant]] = set()
    for row in rows:
        age = rows[0].at - row.at
        if age <= ALL_KEPT:
            continue
        # Hours and days of the clock: counted back from the newest they would move, and drop all.
        if age <= HOURLY_KEPT:
            mark = ("hour", row.at // HOUR)
        elif age <= DAILY_KEPT:
            mark = ("day", row.at // (24 * HOUR))
        else:
            mark = ("older", 0)
        if mark in stretches:
            drop.append(row.id)
        stretches.add(mark)
    if drop:
        conn.execute(delete(snapshot).where(snapshot.c.id.in_(drop)))
    return len(drop)


def _one(conn: Connection, query: Select[Any], plan: str | None) -> Snapshot | None:
    if plan is not None:
        query = query.where(snapshot.c.plan == plan)
    row = conn.execute(query.order_by(snapshot.c.at.desc(), snapshot.c.id.desc()).limit(1)).one_or_none()
    if row is None:
        return None
    try:
        state = unpack(row.data)
    except (zlib.error, ValueError) as error:
        raise StoreDamaged(
            f"snapshot {row.id} cannot be read ({error}); delete it, the lots are then judged again from the readings"
        ) from error
    return Snapshot(row.at, row.plan, row.next_seq, row.event_seq, state)
