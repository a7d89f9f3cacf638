"""The daily *all well*: a message whose absence tells that the monitor itself, or the way to the phone, is dead."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import Connection, delete, insert, select

from monitor.alarms import message
from monitor.alarms.ladder import Ladder
from monitor.alarms.listing import open_alarms
from monitor.alarms.outbox import Target
from monitor.alarms.tables import alarm_clock
from monitor.config import Config
from rules.plan import Site
from rules.quantity import from_datetime, local
from rules.reading import Instant

_NAME: Final = "all well"


class AllWell:
    """Says once a local day how things stand; also when they do not stand well."""

    def __init__(self, config: Config, site: Site, ladder: Ladder, status: Callable[[Connection], str] | None) -> None:
        self._config, self._site, self._ladder, self._status = config, site, ladder, status

    def _targets(self, now: Instant) -> list[Target]:
        to = self._config.alarms.all_well_to
        targets = [self._ladder.own(b) for b in to] if to else self._ladder.targets(self._ladder.rungs("critical")[:1], now)
        return [t for t in targets if t.routes[0] not in self._ladder.things]

    def due(self, conn: Connection, now: Instant) -> Instant | None:
        """Say it if its time has come since it was last said; returns its next time, None where it is turned off."""
        if self._config.alarms.all_well is None or not self._targets(now):
            return None
        last = conn.scalar(select(alarm_clock.c.at).where(alarm_clock.c.name == _NAME))
        if last is None or last > now:  # the first start, or a clock put back: the next morning will do
            self._keep(conn, now)
            return self._after(now)
        if (time := self._after(last)) > now:
            return time
        self._say(conn, now)
        self._keep(conn, now)
        return self._after(now)

    def _after(self, at: Instant) -> Instant:
        """The first time of the daily word after an instant; local days last 23 to 25 hours."""
        minutes = self._config.alarms.all_well or 0
        day = local(at, self._site.zone).date()
        while True:
            moment = datetime(day.year, day.month, day.day, minutes // 60, minutes % 60, tzinfo=self._site.zone)
            if (time := from_datetime(moment)) > at:
                return time
            day += timedelta(days=1)

    def _say(self, conn: Connection, now: Instant) -> None:
        alarms = open_alarms(conn, now)
        standing = f"{len(alarms)} alarm{'s' if len(alarms) != 1 else ''} open"
        head = "ALL WELL" if not alarms else "NOT ALL WELL"
        text = f"{head} {message.clock(now, self._site)}: {standing}."
        text += "".join(f" {a['id']} {a['text']} ({a['state']})." for a in alarms[:3])
        if self._status is not None:
            text += f" {self._status(conn)}"
        # A day that was slept through is not made up for: one word says how it stands now.
        self._ladder.say(conn, "well", self._targets(now), now, f"{head.capitalize()} - {self._site.name}", text)

    def _keep(self, conn: Connection, now: Instant) -> None:
        conn.execute(delete(alarm_clock).where(alarm_clock.c.name == _NAME))
        conn.execute(insert(alarm_clock).values(name=_NAME, at=now))
