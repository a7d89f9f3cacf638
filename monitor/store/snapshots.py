"""The engine's state, kept so that a restart and a late reading need not judge everything again.

A snapshot says exactly what is in it: arrivals below `next_seq` and lot events up to `event_seq`. What
came later is fed after it (`ledger.arrived_since`, `events.since`), wherever its stamps lie.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, delete, insert, select

from monitor.errors import StoreDamaged
from monitor.store import blocks, events
from monitor.store.schema import snapshot
from rules.reading import HOUR, Instant

#: Late readings are replayed by themselves up to 48 h back (`judging.md` section 6); one snapshot must lie before that.
REPLAYED = 48 * HOUR
#: Every snapshot of the newest stretch is kept, then one for each hour.
ALL_KEPT = HOUR


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
            data=zlib.compress(json.dumps(state, separators=(",", ":"), ensure_ascii=False).encode("utf-8"), 6),
        )
    )
    prune(conn)


def newest(conn: Connection, plan: str | None = None) -> Snapshot | None:
    """The snapshot furthest on in event time, of that plan if one is named."""
    return _one(conn, select(snapshot), plan)


def before(conn: Connection, at: Instant, plan: str | None = None) -> Snapshot | None:
    """The newest snapshot strictly before `at`: where a replay for something late at `at` begins."""
    return _one(conn, select(snapshot).where(snapshot.c.at < at), plan)


def forget_from(conn: Connection, at: Instant) -> int:
    """Delete the snapshots at or after `at`, which something late at `at` made wrong; returns how many."""
    return conn.execute(delete(snapshot).where(snapshot.c.at >= at)).rowcount


def prune(conn: Connection) -> int:
    """Thin the snapshots: all of the newest hour, one for each hour back to 48 h, one before that; returns how many went."""
    rows = conn.execute(select(snapshot.c.id, snapshot.c.at).order_by(snapshot.c.at.desc(), snapshot.c.id.desc())).all()
    if not rows:
        return 0
    top = rows[0].at
    drop, hours, older = [], set(), False
    for row in rows:
        age = top - row.at
        if age <= ALL_KEPT:
            continue
        if age < REPLAYED:
            wanted = row.at // HOUR not in hours  # hours of the clock: counted back from `top` they would move, and drop all
            hours.add(row.at // HOUR)
        else:
            wanted, older = not older, True
        if not wanted:
            drop.append(row.id)
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
        state = json.loads(zlib.decompress(row.data))
    except (zlib.error, ValueError) as error:
        raise StoreDamaged(
            f"snapshot {row.id} cannot be read ({error}); delete it, the lots are then judged again from the readings"
        ) from error
    return Snapshot(row.at, row.plan, row.next_seq, row.event_seq, state)
