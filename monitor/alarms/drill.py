"""The bell drill: once a month every bell rings, every person is asked to answer, and what came of it goes on record.

Each person's drill is an alarm of its own that climbs no ladder: it is told by each of that person's bells at once, and answered
in the same ways as any other. Sirens and lamps go on and off again. Who was reached by which way, who answered when, and who was
not reached or did not answer stands in the ledger; those are an alarm.
"""

from __future__ import annotations

import calendar
import json
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, delete, insert, select

from monitor.alarms import troubles
from monitor.alarms.alarms import Alarms, Record
from monitor.alarms.causes import Cause, key_of
from monitor.alarms.tables import alarm, alarm_clock, outbox
from monitor.config import Config
from rules.plan import Site
from rules.quantity import format_instant, format_span, from_datetime, local
from rules.reading import Instant

#: The kind of its entry in the ledger.
KIND: Final = "bell-drill"
#: The file in the data folder that asks for one.
WISH: Final = "drill-wanted"
_LAST, _BEGUN = "drill", "drill-begun"


class Drill:
    """Holds the drill by itself once a month and when it is asked for. Works in the writer's thread."""

    def __init__(self, config: Config, site: Site, alarms: Alarms, record: Record) -> None:
        self._config, self._site, self._alarms, self._record = config, site, alarms, record

    def look(self, conn: Connection, now: Instant) -> None:
        """Begin one whose time has come; end one that everybody has answered, or whose time is over."""
        clock = {row.name: row.at for row in conn.execute(select(alarm_clock).where(alarm_clock.c.name.in_((_LAST, _BEGUN))))}
        begun = clock.get(_BEGUN)
        if begun is not None:
            self._asked()  # one is going on: that is the one
            found = self._found(conn, begun)
            if all(bell["outcome"] != "waiting" for one in found if not one["person"] for bell in one["bells"]):
                self._alarms.settle(conn, now)  # the sirens have been on: off again
            waits = [one for one in found if one["person"] and not one["answered"]]
            under_way = any(bell["outcome"] == "waiting" for one in found for bell in one["bells"])
            if not (waits or under_way) or not 0 <= now - begun < self._config.alarms.drill_answer:
                self._end(conn, begun, found, now)
            return
        last = clock.get(_LAST)
        if last is None or last > now:  # the first start, or a clock put back: the next month will do
            _keep(conn, _LAST, now)
            last = now
        if self._asked() or self._due(last, now):
            self._begin(conn, now)

    def _asked(self) -> bool:
        try:
            (self._config.data / WISH).unlink()
        except OSError:  # nobody asked, or the folder cannot be read just now
            return False
        return True

    def _due(self, last: Instant, now: Instant) -> bool:
        at = self.monthly(local(now, self._site.zone).date())
        return at is not None and last < at <= now

    def monthly(self, day: date) -> Instant | None:
        """When the drill of a day's month is held: its first weekday from Monday to Friday; None where it is turned off."""
        minutes = self._config.alarms.drill
        if minutes is None:
            return None
        first = next(d for d in range(1, 8) if calendar.weekday(day.year, day.month, d) < 5)
        return from_datetime(datetime(day.year, day.month, first, minutes // 60, minutes % 60, tzinfo=self._site.zone))

    def _begin(self, conn: Connection, now: Instant) -> None:
        _keep(conn, _LAST, now)
        _keep(conn, _BEGUN, now)
        owned = {bell for person in self._config.persons for bell in person.bells}
        for person in self._config.persons:
            if person.bells:
                self._alarms.raise_(conn, self._cause(person.name, person.bells, now), now)
        others = tuple(bell.id for bell in self._config.bells if bell.id not in owned)
        if others:
            self._alarms.raise_(conn, self._cause("", others, now), now)

    def _cause(self, person: str, bells: tuple[str, ...], now: Instant) -> Cause:
        within = format_span(self._config.alarms.drill_answer)
        return Cause(
            key_of("drill", str(now), person), "BELL DRILL, nothing is wrong", self._site.name, now,
            "This is the monthly drill: it shows by which way an alarm reaches you, and that your answer is heard.", "low", momentary=True,
            limit=f"an answer within {within}", do=("Answer this message as you would an alarm.",), member=person, person=person, by=bells,
        )  # fmt: skip

    def _found(self, conn: Connection, begun: Instant) -> list[dict[str, Any]]:
        """What came of it so far: for each person (and "" for what is nobody's) each bell's outcome, and the answer."""
        first = key_of("drill", str(begun)) + "/"
        # "0" follows "/": a range is found by the index, where a pattern, or the order of the numbers, would have every alarm read.
        query = select(alarm).where(alarm.c.key >= first, alarm.c.key < first[:-1] + "0").order_by(alarm.c.id + 0)
        found = []
        for row in conn.execute(query).mappings().all():
            sent = conn.execute(
                select(outbox).where(outbox.c.alarm_id == row["id"], outbox.c.kind == "alarm").order_by(outbox.c.id)
            ).mappings()
            bells = [
                {
                    "bell": json.loads(s["target"])[1][0],
                    "outcome": _OUTCOME.get(s["state"], s["state"]),
                    "at": _text(s["done_at"]),
                    "why": s["error"],
                }
                for s in sent
            ]
            person = json.loads(row["cause"])["person"]
            heard = row["acknowledged_at"] if row["acknowledged_by"] == person else None
            found.append(
                {"person": person, "alarm": row["id"], "bells": bells, "answered": _text(heard), "how": row["comment"] if heard else ""}
            )
        return found

    def _end(self, conn: Connection, begun: Instant, found: list[dict[str, Any]], now: Instant) -> None:
        _forget(conn, _BEGUN)
        missed = [one["person"] for one in found if one["person"] and not one["answered"]]
        silent = [bell["bell"] for one in found for bell in one["bells"] if bell["outcome"] in ("refused", "waiting")]
        for one in found:
            self._alarms.lapse(conn, one["alarm"], now, "the drill is over")
        persons = [{key: one[key] for key in ("person", "bells", "answered", "how")} for one in found]
        body = {"begun": format_instant(begun), "persons": persons, "not_answered": missed, "not_delivered": silent}
        self._record(conn, KIND, body, now, "")
        self._alarms.settle(conn, now)
        if missed or silent:
            self._alarms.raise_(conn, troubles.drill_missed(now, ", ".join([*missed, *(f"bell {bell}" for bell in silent)])), now)
        else:
            self._alarms.clear(conn, troubles.drill_missed(now, "").key, now)


_OUTCOME: Final = {"sent": "delivered", "dropped": "answered before"}


def want(data: Path) -> None:
    """Ask the service of this data folder for a drill: a file, since the service holds the store's writing side nearly all the time."""
    (data / WISH).touch()


def _keep(conn: Connection, name: str, at: Instant) -> None:
    _forget(conn, name)
    conn.execute(insert(alarm_clock).values(name=name, at=at))


def _forget(conn: Connection, name: str) -> None:
    conn.execute(delete(alarm_clock).where(alarm_clock.c.name == name))


def _text(at: Instant | None) -> str | None:
    return None if at is None else format_instant(at)
