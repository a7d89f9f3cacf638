"""Who may not ring just now: shelved by a person, suppressed by design, out of service.

A hiding names a cause key, or a scope that ends in `*`. A critical cause is hidden only by a shelving that
names its key: no scope, no design and no maintenance silences it. The alarm runs on underneath
(OPC UA Part 9). Plain functions on a Connection.
"""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import Connection, func, insert, or_, select, update

from monitor.alarms.life import Hidden
from monitor.alarms.tables import alarm_hidden
from rules.reading import Instant


class Hiding(NamedTuple):
    """One hiding in force: what (`scope`), how (`kind`, a letter), since and until when, by whom, why."""

    id: int
    scope: str
    kind: str
    since: Instant
    until: Instant | None
    by: str
    reason: str

    def covers(self, key: str, critical: bool) -> bool:
        """True if this hiding keeps the cause silent."""
        if critical:
            return self.kind == Hidden.SHELVED.value and self.scope == key
        return key.startswith(self.scope[:-1]) if self.scope.endswith("*") else self.scope == key


_HIDING = tuple(alarm_hidden.c[name] for name in Hiding._fields)


def in_force(conn: Connection) -> list[Hiding]:
    """Every hiding in force; they are listed, since a hidden alarm must not be a forgotten one."""
    return [Hiding(*row) for row in conn.execute(select(*_HIDING).where(alarm_hidden.c.ended_at.is_(None)).order_by(alarm_hidden.c.id))]


def hiding_of(hidings: list[Hiding], key: str, critical: bool) -> Hiding | None:
    """The hiding that keeps a cause silent, if any."""
    return next((h for h in hidings if h.covers(key, critical)), None)


def hide(conn: Connection, scope: str, kind: Hidden, since: Instant, until: Instant | None, by: str, reason: str) -> None:
    """Begin a hiding; one of the same scope and kind is replaced."""
    end(conn, scope, kind, since, by)
    conn.execute(insert(alarm_hidden).values(scope=scope, kind=kind.value, since=since, until=until, by=by, reason=reason))


def end(conn: Connection, scope: str, kind: Hidden, now: Instant, by: str) -> bool:
    """End a hiding; False if there was none."""
    ended = conn.execute(
        update(alarm_hidden)
        .where(alarm_hidden.c.scope == scope, alarm_hidden.c.kind == kind.value, alarm_hidden.c.ended_at.is_(None))
        .values(ended_at=now, ended_by=by)
    )
    return ended.rowcount > 0


def expired(conn: Connection, now: Instant) -> list[Hiding]:
    """Shelvings that are over, or that began after `now`: a clock put back must not prolong one."""
    rows = conn.execute(
        select(*_HIDING).where(
            alarm_hidden.c.ended_at.is_(None),
            alarm_hidden.c.until.is_not(None),
            or_(alarm_hidden.c.until <= now, alarm_hidden.c.since > now),
        )
    )
    return [Hiding(*row) for row in rows]


def next_expiry(conn: Connection) -> Instant | None:
    """When the next shelving ends, or None."""
    soonest: Instant | None = conn.scalar(select(func.min(alarm_hidden.c.until)).where(alarm_hidden.c.ended_at.is_(None)))
    return soonest
