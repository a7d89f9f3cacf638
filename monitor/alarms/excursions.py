"""Follows a room's readings after its ceiling or floor was broken: over when they are back, an alarm again when they are not.

A day's verdict is found once; the second warm hour of the same day is no new verdict, but somebody must hear of
it. The levels and the forgiven time are the limit's own, kept in the cause; nothing here touches a verdict.
No data never clears an alarm: only a good reading newer than the condition does.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Final, Protocol

from sqlalchemy import Connection, select, update

from monitor.alarms.causes import Cause
from monitor.alarms.tables import alarm
from monitor.store.readings import newest_by_probe
from rules.reading import HOUR, Instant, Reading, Span

#: A day that is over has a verdict of its own; by then the next day's watch finds what there is to find.
_FOLLOWED_FOR: Final[Span] = 24 * HOUR


class Board(Protocol):
    """What `Alarms` does for this module."""

    def raise_(self, conn: Connection, cause: Cause, now: Instant) -> int:
        """The condition stands."""
        ...

    def clear(self, conn: Connection, key: str, now: Instant, member: str = "") -> None:
        """The condition is over."""
        ...


def follow(conn: Connection, board: Board, now: Instant) -> None:
    """Clear what is back in its limit, raise what has left it again, let go what is a day old."""
    rows = conn.execute(select(alarm).where(alarm.c.followed == 1).order_by(alarm.c.id)).mappings().all()
    if not rows:
        return
    newest = newest_by_probe(conn)
    latest = {row["key"]: row["id"] for row in rows}
    for row in rows:
        stands = row["closed_at"] is None and (row["rang_at"] is None or row["state"] in ("B", "C"))
        if row["id"] != latest[row["key"]] or (not stands and now - row["raised_at"] > _FOLLOWED_FOR):
            conn.execute(update(alarm).where(alarm.c.id == row["id"]).values(followed=0))
            continue
        cause = Cause.from_json(json.loads(row["cause"]))
        for probe in json.loads(row["members"] if stands else row["probes"]):
            got = newest[probe].reading if probe in newest else None
            if got is None or got.suspect:
                continue
            if stands and got.at > row["since"] and _back(cause, got):
                board.clear(conn, row["key"], now, probe)
            elif stands and row["clear_at"] is not None and _beyond(cause, got):
                board.raise_(conn, replace(cause, member=probe), now)  # within its off-delay: it was no return
            elif not stands and row["returned_at"] is not None and got.at > row["returned_at"] and _beyond(cause, got):
                text = f"{cause.where}: beyond its limit again."
                again = replace(cause, since=got.at, member=probe, text=text, on_delay=cause.on_delay + cause.again_after)
                board.raise_(conn, again, now)


def followed(cause: Cause) -> bool:
    """True for a cause that readings can end."""
    return cause.back_c is not None


def _value(got: Reading) -> float:
    return round(got.celsius + got.offset_c, 3)


def _beyond(cause: Cause, got: Reading) -> bool:
    if cause.above_c is not None:
        return _value(got) > round(cause.above_c, 3)
    return cause.below_c is not None and _value(got) < round(cause.below_c, 3)


def _back(cause: Cause, got: Reading) -> bool:
    assert cause.back_c is not None
    return _value(got) <= round(cause.back_c, 3) if cause.above_c is not None else _value(got) >= round(cause.back_c, 3)
