"""Finds alarms that come and go: each turn is kept, but a person is told once that it chatters.

The trade article behind the alarm reference calls an alarm chattering that goes from active to clear three or more times in one
minute. Readings of a plant come every few seconds to minutes, so the same count is taken here over ten minutes (our choice).
"""

from __future__ import annotations

import json
from typing import Final

from sqlalchemy import Connection, func, select

from monitor.alarms import troubles
from monitor.alarms.alarms import Alarms
from monitor.alarms.tables import alarm
from rules.reading import HOUR, MINUTE, Instant, Span

TURNS: Final = 3
WITHIN: Final[Span] = 10 * MINUTE
#: One that goes on chattering is told again after this.
AGAIN: Final[Span] = 2 * HOUR
_OWN: Final = ("chattering/", "drill/")


def look(conn: Connection, alarms: Alarms, now: Instant) -> None:
    """Raise what chatters, clear what has come to rest."""
    turns = func.count(alarm.c.id)
    query = (
        select(alarm.c.key, turns, func.min(alarm.c.raised_at), func.max(alarm.c.id))
        .where(alarm.c.raised_at > now - WITHIN, alarm.c.raised_at <= now, alarm.c.returned_at.is_not(None))
        .group_by(alarm.c.key)
        .having(turns >= TURNS)
    )
    found = {key: (count, since, newest) for key, count, since, newest in conn.execute(query) if not key.startswith(_OWN)}
    standing = {
        row.key: row.raised_at for row in conn.execute(select(alarm.c.key, alarm.c.raised_at).where(alarm.c.key.startswith(_OWN[0])))
    }
    for key, (count, since, newest) in found.items():
        cause = json.loads(conn.scalar(select(alarm.c.cause).where(alarm.c.id == newest)) or "{}")
        told = troubles.chattering(key, cause["what"], cause["where"], since, count)
        if now - standing.get(told.key, now - AGAIN) >= AGAIN:
            alarms.raise_(conn, told, now)
    at_rest = {troubles.chattering(key, "", "", 0, 0).key for key in found}
    for key in conn.scalars(
        select(alarm.c.key).where(alarm.c.key.startswith(_OWN[0]), alarm.c.closed_at.is_(None), alarm.c.state.in_(("B", "C")))
    ).all():
        if key not in at_rest:
            alarms.clear(conn, key, now)
