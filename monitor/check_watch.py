"""Probes whose check is due: they ring until a good one is on record."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, select

from monitor import calibrations
from monitor.alarms import causes
from monitor.alarms.alarms import Alarms
from monitor.alarms.listing import open_rows
from monitor.store.schema import plan_version
from rules.plan import Plan
from rules.quantity import format_span
from rules.reading import HOUR, MINUTE, Instant, Span

#: Intervals are days: it is enough to look now and then.
_LOOK_EVERY: Span = 10 * MINUTE
_DAY: Span = 24 * HOUR


class CheckWatch:
    """Raises and clears the alarms of checks that are due. Works in the writer's thread, inside its transaction."""

    def __init__(self, alarms: Alarms) -> None:
        self._alarms = alarms
        self._looked_at: Instant | None = None

    def forget(self) -> None:
        """A transaction was undone: look again at the next occasion."""
        self._looked_at = None

    def look(self, conn: Connection, plan: Plan, now: Instant) -> None:
        """Ring for every thermometer of the plan whose interval has passed since it was last found good."""
        if self._looked_at is not None and 0 <= now - self._looked_at < _LOOK_EVERY:
            return
        self._looked_at = now
        # One that was due, was made good and has been seen by nobody is told again when the next check is due.
        due = (row for row in open_rows(conn) if row["rang_at"] is None or row["state"] in ("B", "C"))
        rung = {row["key"] for row in due if row["key"].startswith("calibration/") and row["key"].endswith("/due")}
        wanted = {causes.calibration_due(s["probe"], s["due_at"], s["last"]).key: s for s in standing(conn, plan) if s["due_at"] <= now}
        for key in rung - set(wanted):
            self._alarms.clear(conn, key, now)
        for key in set(wanted) - rung:
            one = wanted[key]
            self._alarms.raise_(conn, causes.calibration_due(one["probe"], one["due_at"], one["last"]), now)


def standing(conn: Connection, plan: Plan) -> list[dict[str, Any]]:
    """How each thermometer of the plan stands: `probe, check` (its newest, None: never), `good_at`, `due_at`, `every`, `last` in words."""
    thermometers = [p for p in plan.probes if p.place != "humidity"]
    checks = calibrations.last_of_each(conn, [p.id for p in thermometers])
    found = []
    for probe in thermometers:
        check, every = checks.get(probe.id), calibrations.interval(probe)
        due = calibrations.due_of(plan, check, probe.id, _known_since(conn, probe.id))
        good = due - every if check and check["last_good"] else None
        days = f"{every // _DAY} days" if every % _DAY == 0 and every else format_span(every)
        last = "No good check of it is on record." if good is None else f"It is to be found good every {days}."
        found.append({"probe": probe.id, "check": check, "good_at": good, "due_at": due, "every": every, "last": last})
    return found


def _known_since(conn: Connection, probe: str) -> Instant:
    """Since when a plan in force has named the probe: a new one is due an interval after that."""
    # The name in quotes is looked for in the text, since every version there ever was would have to be loaded otherwise.
    query = select(plan_version.c.since).where(plan_version.c.text.contains(f'"{probe}"', autoescape=True))
    return conn.execute(query.order_by(plan_version.c.since).limit(1)).scalar() or 0
