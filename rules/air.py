"""The air of a room as a core probe's rules see it: each fixed probe's newest good reading before the last whole half minute.

A core reading must not depend on which of two probes' readings of one instant is taken first, nor on readings that cross a
little on their way. So the air at an instant is that before the last whole half minute of the Unix clock; a few half minutes back
are kept, and what comes later than that, or would change what was used, is late.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rules.limits.watch import News, Watch
from rules.plan import Limit, Plan, Probe
from rules.reading import MINUTE, SECOND, Instant, Span

if TYPE_CHECKING:
    from rules.engine import Engine

PLACES = ("chamber", "cooler", "room")
CELL: Span = 30 * SECOND
#: So many half minutes with a reading are kept.
KEPT = 40
#: Older air is none.
OLDEST: Span = 15 * MINUTE
BEFORE: Instant = -(1 << 62)


def cell_of(at: Instant) -> Instant:
    """The last whole half minute of the Unix clock at or before `at`."""
    return at // CELL * CELL


class AirWatch(Watch):
    """The newest good reading (raw and offset) of one fixed probe in each of the last half minutes."""

    __slots__ = ("asked", "cells", "cut", "edge", "used", "was")

    def __init__(self, probe: Probe, limit: Limit, unit: str) -> None:
        super().__init__(limit, probe.id, 0.0, unit, BEFORE)
        self.u = probe.uncertainty_c or 0.0  # as the track has it, so that it is fed without a detour
        self.cells: list[list[Any]] = []  # [at, celsius], rising, the last of each half minute
        self.edge: Instant = BEFORE  # the end of the half minute of the newest
        self.used: Instant = BEFORE  # a forecast has used the air before this instant
        self.asked: Instant = BEFORE  # so has it, or a rule that minds only a great change (`rules/meat.py`)
        self.was: list[Any] | None = None  # what stood before the newest, where that was told late
        self.cut = False  # older ones were forgotten

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Keep a reading; one that would change what a core reading has used is told, since it is late."""
        celsius = (lo + hi) / 2.0
        if at < self.asked:
            self.was = self.cells[-1] if self.cells else None
            self.news.append(News(at, "late", ""))
        if at >= self.edge:
            self.cells.append([at, celsius])
            self.edge = cell_of(at) + CELL
            if len(self.cells) > KEPT:
                self.cells.pop(0)
                self.cut = True
        else:
            self.cells[-1] = [at, celsius]
        return self.news

    def before(self, at: Instant) -> tuple[Instant, float] | None:
        """The newest good reading before the last whole half minute at `at`; None where there is none that young."""
        bound = cell_of(at)
        self.used = max(self.used, bound)
        seen = self.newest_before(bound)
        return seen if seen is not None and at - seen[0] <= OLDEST else None

    def newest_before(self, bound: Instant) -> tuple[Instant, float] | None:
        """The newest good reading before a whole half minute, of whatever age."""
        self.asked = max(self.asked, bound)
        return next(((when, celsius) for when, celsius in reversed(self.cells) if when < bound), None)

    def knows(self, at: Instant) -> bool:
        """Whether what was the newest then is still kept."""
        return not self.cut or self.cells[0][0] < cell_of(at)

    def finish(self, at: Instant) -> None:
        """Nothing to decide."""


class AirBoard:
    """The air watches of every fixed probe; owner of what they have to say."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.watches: dict[str, AirWatch] = {}

    def use(self, plan: Plan) -> None:
        """Follow the fixed probes of a plan too."""
        for probe in plan.probes:
            if probe.place in PLACES and probe.id not in self.watches:
                watch = self.watches[probe.id] = AirWatch(probe, _any_limit(plan), plan.site.unit)
                self.engine.attach(watch, self)

    def hear(self, watch: Watch) -> None:
        """A reading came that changes what was used."""
        assert isinstance(watch, AirWatch)
        for item in watch.news:
            if item.at < watch.used or self.engine.evidence.meat.minds(watch, item.at, watch.was, watch.cells[-1][1]):
                self.engine.cross(item.at)
        watch.news = []

    def around(self, probes: list[Probe], at: Instant) -> list[float]:
        """What each of these fixed probes that has a reading of no more than 15 min read before the last whole half minute, in °C."""
        found = []
        for probe in probes:
            watch = self.watches.get(probe.id)
            if watch is None:
                continue
            if not watch.knows(at):
                self.engine.cross(at)  # this probe is far ahead of the core: what it read then comes again in a replay
                continue
            seen = watch.before(at)
            if seen is not None:
                found.append(seen[1])
        return found

    # --- snapshot ------------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        return {probe: watch.state() for probe, watch in self.watches.items()}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave; watches of probes that only an older plan knows come with it."""
        for probe, data in state.items():
            if probe not in self.watches:
                plan = next(p for p in self.engine.plans.values() if probe in p.probe_by_id)
                self.watches[probe] = AirWatch(plan.probe_by_id[probe], _any_limit(plan), plan.site.unit)
            self.watches[probe].restore(data)


def _any_limit(plan: Plan) -> Limit:
    """A watch stands under some limit of its plan; this one judges none."""
    return next(x for limits in (*(s.limits for s in plan.standing), *(s.limits for p in plan.products for s in p.steps)) for x in limits)
