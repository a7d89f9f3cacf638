"""What is looked at now and then so that the alarms themselves can be trusted: the clock, certificates, how fast records are kept,
alarms that chatter, and the monthly drill. In the writer's thread, in a transaction of its own."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from sqlalchemy import Connection

from monitor import certificates
from monitor.alarms import chattering, troubles
from monitor.alarms.alarms import Alarms, Record
from monitor.alarms.causes import Cause
from monitor.alarms.drill import Drill
from monitor.alarms.listing import open_rows
from monitor.config import Config
from rules.plan import Site
from rules.reading import SECOND, Instant, Span

LOOK_EVERY: Final[Span] = 30 * SECOND
#: A commit for which nobody waits may take a second by design; half of the last minute's above this is slow (our choice).
SLOW: Final[Span] = 3 * SECOND
_LAST: Final = 30


class Rounds:
    """`look` at every tick; `took` after each commit of the judging loop."""

    def __init__(self, config: Config, site: Site, alarms: Alarms, record: Record, kept: Callable[[], bool | None] | None = None) -> None:
        """`kept()` says whether the clock is kept right (`clock_trust`); None: not asked."""
        self._config, self._alarms, self._kept = config, alarms, kept
        self._drill = Drill(config, site, alarms, record)
        self._took: deque[Span] = deque(maxlen=_LAST)
        self._looked_at: Instant | None = None
        self._ends = certificates.Ends()

    def forget(self) -> None:
        """A transaction was undone: look again at the next occasion."""
        self._looked_at = None

    def took(self, seconds: float) -> None:
        """How long the last pass took from its beginning until it was durable."""
        self._took.append(round(seconds * SECOND))

    def look(self, conn: Connection, now: Instant) -> None:
        """Do what is due."""
        self._drill.look(conn, now)
        if self._looked_at is not None and 0 <= now - self._looked_at < LOOK_EVERY:
            return
        self._looked_at = now
        chattering.look(conn, self._alarms, now)
        half = sorted(self._took)[len(self._took) // 2] if len(self._took) == _LAST else 0
        self._stand(conn, troubles.store_slow(now, half, SLOW), half > SLOW, now)
        if self._kept is not None:
            self._stand(conn, troubles.clock_untrusted(now), self._kept() is False, now)
        ends = self._ends.of(certificates.held(self._config))
        due = {one.name: one for one in certificates.ending(ends, self._config, now)}
        for file in ends:
            one = due.get(file.name)
            cause = troubles.certificate_due(file.name, now, one.text if one else "", over=one is not None and one.at <= now)
            self._stand(conn, cause, one is not None, now)

    def _stand(self, conn: Connection, cause: Cause, so: bool, now: Instant) -> None:
        """Raise or clear, once: what stands already and is no worse is left alone."""
        rows = [row for row in open_rows(conn, cause.key) if row["rang_at"] is None or row["state"] in ("B", "C")]
        if so and all(row["severity"] < cause.severity or row["clear_at"] is not None for row in rows):
            self._alarms.raise_(conn, cause, now)
        elif rows and not so:
            self._alarms.clear(conn, cause.key, now)
