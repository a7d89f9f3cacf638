"""Limits that watch a room with no lot, one verdict per local day."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import Any, Protocol

from rules.finding import Finding
from rules.limits.watch import Watch
from rules.plan import Limit, Plan
from rules.quantity import from_datetime, local
from rules.reading import Instant
from rules.run import Run

KEEP_DAYS = 62  # closed days kept in the state; the ledger keeps them all


def standing_key(room: str, limit: Limit) -> str:
    """How a room's limit is told from others, over plans."""
    return f"{room}/{limit.name}"


class Hub(Protocol):
    """What the engine does for a room."""

    now: Instant
    plan: Plan

    def attach(self, watch: Watch, owner: Any) -> None:
        """Feed the watch from now on."""

    def later(self, at: Instant, lot: str, kind: str, arg: str) -> None:
        """Call `timer` when time has come to `at`."""

    def closing(self, at: Instant, owner: Any, run: Run, watch: Watch | None, how: str) -> None:
        """Close the watch once every reading at `at` has been taken."""

    def say(self, finding: Finding) -> None:
        """Give a finding out."""


class StandingRoom:
    """One standing limit of one room: a Run for each local day, by the plan in force when the day began."""

    def __init__(self, hub: Hub, plan: Plan, room: str, limit: Limit) -> None:
        self.hub, self.plan, self.room, self.limit = hub, plan, room, limit
        self.key = standing_key(room, limit)
        self.day = ""
        self.run: Run | None = None
        self.closed: list[dict[str, Any]] = []
        self.closing_run: list[tuple[str, Run]] = []

    def probes(self) -> list[str]:
        """The room's fixed probes that this limit reads."""
        return [p.id for p in self.plan.probes if self.reads(p.id)]

    def reads(self, probe: str) -> bool:
        """Whether it is one of the room's fixed probes that this limit reads."""
        known = self.plan.probe_by_id.get(probe)
        return known is not None and known.place == self.limit.place and (not self.plan.rooms or known.room == self.room)

    def first_reading(self, probe: str, at: Instant) -> None:
        """A probe of the room has answered for the first time."""
        if self.run is None:
            self._new_day(at)
        if self.run is not None and self.reads(probe) and probe not in self.run.live:
            self._open(probe, at)

    def _new_day(self, at: Instant) -> None:
        """Begin a day by the plan that is in force now, if it still has this limit."""
        self.run = None
        limits = [limit for s in self.hub.plan.standing if s.room == self.room for limit in s.limits]
        limit = next((limit for limit in limits if standing_key(self.room, limit) == self.key), None)
        if limit is None:
            return
        self.plan, self.limit = self.hub.plan, limit
        zone = self.plan.site.zone
        today = local(at, zone).date()
        self.day = today.isoformat()
        self.run = Run(self.key, self.limit, (), self.plan.site.unit)
        self.run.begin(at)
        midnight = from_datetime(datetime.combine(today + timedelta(days=1), time(), zone))
        self.hub.later(midnight, "", "midnight", self.key)

    def _open(self, probe: str, at: Instant) -> None:
        assert self.run is not None
        u = self.plan.probe_by_id[probe].uncertainty_c or 0.0
        self.hub.attach(self.run.open_watch(probe, u, at), self)

    def timer(self, at: Instant, kind: str, arg: str) -> None:
        """Local midnight: today's watches close, tomorrow's open; a reading at midnight belongs to both."""
        old = self.run
        if old is None:
            return
        for watch in old.live.values():
            self.hub.closing(at, self, old, watch, "limit")
        old.current = False
        self.hub.closing(at, self, old, None, "run")
        self.closing_run.append((self.day, old))
        probes = list(old.live)
        self._new_day(at)
        if self.run is not None:
            for probe in [p for p in probes if self.reads(p)]:
                self._open(probe, at)

    def tell_run(self, run: Run, at: Instant) -> None:
        """A room's limit has a watch whenever it runs: nothing to say of it as a whole."""

    def hear(self, watch: Watch) -> None:
        """Turn a watch's news into findings."""
        news, watch.news = watch.news, []
        for item in news:
            self.hub.say(
                Finding(item.at, item.what, "", self.room, self.limit.name, watch.probe, self.limit.critical, item.text, self.hub.now)
            )

    def ended(self, report: Any) -> None:
        """Keep the report of a day whose watches have all closed."""
        for day, run in self.closing_run:
            self.closed.append(report(self, day, run))
        self.closing_run = []
        self.closed = self.closed[-KEEP_DAYS:]
