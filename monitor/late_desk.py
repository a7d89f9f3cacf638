"""The part of the desk that looks at late readings and asks for their re-judgement. See `desk.py` for how an entry is made."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from monitor import late, ledger
from monitor.alarms import causes
from monitor.errors import InputError, RefusedError
from rules.quantity import format_instant
from rules.reading import Instant

if TYPE_CHECKING:
    from monitor.desk import Hand
    from monitor.store.database import Store

ASKED = "rejudge-asked"


class LateDesk:
    """Late readings; `Desk` has the rest."""

    store: Store
    pipeline: Any
    alarm_board: Any
    clock: Callable[[], Instant]
    _write: Callable[[Callable[[Connection], Any]], Any]
    _do: Callable[[Hand, Callable[[Connection, Instant], dict[str, Any]]], dict[str, Any]]

    def late(self) -> dict[str, Any]:
        """What is late: `waiting` (`since`, `why`; None where nothing is) is being judged anew, `unjudged` waits for a person.

        `unjudged` lists `probe, count, from, to, received_from, received_to`, instants as text.
        """
        with self.store.read() as conn:
            owed, unjudged = late.waiting(conn), late.listed(conn)
        return {
            "waiting": None if owed is None else {"since": format_instant(owed.since), "why": owed.why()},
            "unjudged": [{"probe": probe, **body} for probe, body in unjudged.items()],
        }

    def rejudge(self, hand: Hand, since: Instant, reason: str) -> dict[str, Any]:
        """Have what came more than 48 h late, from `since` on, judged from now on; `{since, reason, by, readings, waiting}`.

        Raises InputError without a reason or for a time to come, RefusedError where nothing such is listed.
        """
        reason = reason.strip()
        if not reason:
            raise InputError("reason is blank; write why these readings are to be judged, such as the gateway that kept them")
        if since > (clock := self.clock()):
            raise InputError(f"since is {format_instant(since)}, which is still to come (it is {format_instant(clock)})")
        # Counting millions of rows would hold up the writer, and with it judging: it is done here, and the writer gets the numbers.
        held = self._write(late.fence)
        found = late.counted(self.store.read, held, since)

        def job(conn: Connection, now: Instant) -> dict[str, Any]:
            released = late.release(conn, since, held, found)
            if released.first is None:
                raise RefusedError(
                    f"no reading from {format_instant(since)} on waits to be judged; look at the list of late readings and name a time "
                    "at or before them"
                )
            body = {"since": format_instant(since), "reason": reason, "readings": released.count}
            ledger.append(conn, ASKED, body, now, hand.by, entered_at=now)
            self.pipeline.rejudge(conn, released.first, f"asked for by {hand.by}: {reason}")
            if not late.too_late(conn):
                self.alarm_board.clear(conn, causes.readings_too_late(now, 0).key, now)
            return {**body, "by": hand.by, "waiting": late.waiting(conn) is not None}

        return self._do(hand, job)
