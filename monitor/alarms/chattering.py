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
#: Only among so many of the newest alarms it is looked for: where more were raised within the ten minutes, something chatters in these too.
_NEWEST: Final = 300
_OWN: Final = ("chattering/", "drill/")


def look(conn: Connection, alarms: Alarms, now: Instant) -> None:
    """Raise what chatters, clear what has come to rest."""
    newest = conn.scalar(select(func.max(alarm.c.id))) or 0
    raised: dict[str, list[tuple[Instant, int]]] = {}
    for key, at, number in conn.execute(
        select(alarm.c.key, alarm.c.raised_at, alarm.c.id)
        .where(alarm.c.id > newest - _NEWEST)
        .where(alarm.c.raised_at > now - WITHIN, alarm.c.raised_at <= now, alarm.c.returned_at.is_not(None))
        .order_by(alarm.c.id)
    ):
        if not key.startswith(_OWN):
            raised.setdefault(key, []).append((at, number))
    found = {key: (len(times), min(times)[0], times[-1][1]) for key, times in raised.items() if len(times) >= TURNS}
    for key, (count, since, last_turn) in found.items():
        cause = json.loads(conn.scalar(select(alarm.c.cause).where(alarm.c.id == last_turn)) or "{}")
        told = troubles.chattering(key, cause["what"], cause["where"], since, count)
        last = conn.scalar(select(alarm.c.raised_at).where(alarm.c.key == told.key).order_by(alarm.c.id.desc()).limit(1))
        if last is None or now - last >= AGAIN:
            alarms.raise_(conn, told, now)
    at_rest = {troubles.chattering(key, "", "", 0, 0).key for key in found}
    for key in conn.scalars(
        select(alarm.c.key).where(alarm.c.key.startswith(_OWN[0]), alarm.c.closed_at.is_(None), alarm.c.state.in_(("B", "C")))
    ).all():
        if key not in at_rest:
            alarms.clear(conn, key, now)
