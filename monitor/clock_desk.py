"""What a person can say of the board's time: what time it is, where no network ever says it. See `desk.py` for how an entry is made."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import Connection

from monitor.clock_keeper import ClockKeeper
from monitor.desk import Desk, Hand
from monitor.errors import InputError
from monitor.moments import came_twice, local_instant
from monitor.provisional import doubt
from rules.quantity import format_instant
from rules.reading import Instant

_EXAMPLE: Final = "2026-12-01T09:30"


class ClockDesk:
    """The time of one site's board. Methods block, as the desk's do."""

    def __init__(self, desk: Desk, keeper: ClockKeeper | None = None) -> None:
        self._desk, self._keeper = desk, keeper

    def view(self) -> dict[str, Any]:
        """`now, provisional` ("time", "verdicts" or ""), `by` (who said the time, while it is counted from there, else "")."""
        by = "" if self._keeper is None else self._keeper.said_by
        return {"now": format_instant(self._desk.clock()), "provisional": doubt(self._desk.clock), "by": by}

    def set(self, hand: Hand, text: str) -> dict[str, Any]:
        """It is that time now: local time of the site, or with its offset. `{at, was, by_s, by}`; what was read before goes with it.

        Raises InputError for a time that cannot be, RefusedError where the time is known.
        """
        at = self._instant(text.strip())

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            if self._keeper is None:
                raise InputError("this service keeps no board's clock; set the system's")
            by_s = self._keeper.say(conn, at, hand.by)
            return {"at": format_instant(at), "was": format_instant(now), "by_s": by_s, "by": hand.by}

        return self._desk._do(hand, job)

    def _instant(self, text: str) -> Instant:
        if not text:
            raise InputError(f"the time is blank; write date and time by a watch, such as {_EXAMPLE}")
        zone = self._desk.plan.site.zone
        if came_twice(text, zone):
            raise InputError(f"{text} came twice, since the clocks went back; write it with its offset, such as {_EXAMPLE}-06:00")
        return local_instant(text, zone)
