"""The limits of one lot that judge a process: what their watches share, what is entered for them, what waits for another probe."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from rules.limits.composition import CompositionWatch, completed
from rules.limits.humidity import DryBulb, PairWatch, RecordWatch
from rules.limits.profile import CoreStage, ProfileWatch, Stages
from rules.limits.spec import Composition, Humidity, Profile
from rules.limits.watch import News, Watch
from rules.plan import Limit, Probe
from rules.reading import Instant
from rules.run import Run

if TYPE_CHECKING:
    from rules.lot import Lot

#: The watch of a limit that is judged on what is entered for the lot; like "check", the name of no probe.
MEASURE = "measure"
#: Movers that take readings at the very instant at which their limit closes.
LINGERING = (CoreStage, DryBulb)
#: What watches say to the lot only.
INNER = ("stage", "pair", "crossed", "wick")


class LotProcess:
    """`values` are the lot's measures and what was computed from them, `[at, name, value]`; `stages` those of each profile's run."""

    def __init__(self, lot: Lot) -> None:
        self.lot = lot
        self.values: list[list[Any]] = []
        self.stages: dict[str, Stages] = {}
        self.keys = [k for k, r in lot.runs.items() if isinstance(r.limit.rule, Profile) or _is_pair(r.limit)]

    # --- watches ------------------------------------------------------------------------------------------------

    def opened(self, run: Run, watch: Watch) -> None:
        """A watch opens, or opens again: give it what it stands beside, and what was entered before."""
        self._link(run, watch)
        if isinstance(watch, PairWatch) and (dry := self._dry(watch.probe)) is not None:
            newest = self.lot.hub.newest(dry.id)
            if newest is not None:
                high = newest.celsius if newest.high_c is None else newest.high_c
                watch.prime(newest.at, high + newest.offset_c + watch.dry_u)
        elif isinstance(watch, RecordWatch | CompositionWatch):
            self._enter(run, watch)

    def _link(self, run: Run, watch: Watch) -> None:
        if isinstance(watch, ProfileWatch):
            watch.stages = self._stages(run)
        elif isinstance(watch, PairWatch):
            dry = self._dry(watch.probe)
            watch.beside((dry.uncertainty_c or 0.0) if dry is not None else 0.0, self.lot.plan.site.altitude_m)

    def _stages(self, run: Run) -> Stages:
        rule, name = run.limit.rule, f"{run.key}#{run.generation}"
        assert isinstance(rule, Profile)
        assert run.opened is not None
        if name not in self.stages:
            self.stages[name] = Stages(rule, run.opened)
        return self.stages[name]

    def _dry(self, wet: str) -> Probe | None:
        plan = self.lot.plan
        spec = plan.probe_by_id[wet]
        if spec.dry_bulb is not None:
            return plan.probe_by_id.get(spec.dry_bulb)
        beside = [p for p in plan.probes if p.place == "chamber" and p.room == spec.room]
        return beside[0] if len(beside) == 1 else None

    def reconcile(self, at: Instant) -> None:
        """Follow the placed cores beside profiles that wait for them, and the dry bulbs beside the open wet ones; no others."""
        lot = self.lot
        for key in self.keys:
            run = lot.runs[key]
            kind, wanted = self._wanted(run)
            for old in [m for m in lot.movers if type(m) is kind and m.limit is run.limit]:
                if old.probe in wanted:
                    lot.hub.keep(old)
                else:
                    lot.hub.closing(at, lot, run, old, "mover")  # a reading at this very instant still belongs to it
            for probe in sorted(wanted):
                fresh = kind(run.limit, probe, lot.plan.probe_by_id[probe].uncertainty_c or 0.0, lot.unit, at)
                self._link_mover(fresh)
                lot.follow(fresh)
        for each in lot.movers:
            self._link_mover(each)

    def _wanted(self, run: Run) -> tuple[type[CoreStage | DryBulb], set[str]]:
        lot, rule = self.lot, run.limit.rule
        if not isinstance(rule, Profile):
            beside = [self._dry(w.probe) for w in _open(run)]
            return DryBulb, {dry.id for dry in beside if dry is not None} if lot.ended is None else set()
        waits = run.current and lot.ended is None and any(s.until_core_c is not None for s in rule.stages)
        return CoreStage, set(lot.placed) if waits else set()

    def _link_mover(self, mover: Watch) -> None:
        if not isinstance(mover, LINGERING):
            return
        run = next(r for r in self.lot.runs.values() if r.limit is mover.limit)
        if isinstance(mover, CoreStage):
            mover.placed = self.lot.placed
            mover.stages = [self._stages(r) for r in run.every() if r.opened is not None and r.ended is None]
        else:
            mover.pairs = [w for w in _open(run) if isinstance(w, PairWatch) and (d := self._dry(w.probe)) and d.id == mover.probe]

    def heard(self, watch: Watch, item: News) -> None:
        """What a watch says to the lot only."""
        if item.what == "pair":
            assert isinstance(watch, DryBulb)
            for pair in watch.pairs:
                if pair.news:
                    self.lot.hear(pair)
        elif item.what == "wick":
            self.lot.hub.problem(item.at, "wick", watch.probe, item.text)
        else:
            # Another probe's readings since then were judged without this one.
            self.lot.hub.cross(item.at)

    # --- time -----------------------------------------------------------------------------------------------------

    def _waiting(self) -> Iterator[ProfileWatch | PairWatch]:
        for key in self.keys:
            yield from (w for w in _open(self.lot.runs[key]) if isinstance(w, ProfileWatch | PairWatch) and w.waiting)

    def tick(self, now: Instant) -> None:
        """Time alone may let a reading go that waits for another probe's."""
        for watch in list(self._waiting()):
            watch.tick(now)
            if watch.news:
                self.lot.hear(watch)

    def settle(self, now: Instant) -> bool:
        """Every reading up to `now` has been taken: judge what waits; whether anything did."""
        waiting = list(self._waiting())
        for watch in waiting:
            watch.settle_up(now)
            if watch.news:
                self.lot.hear(watch)
        return bool(waiting)

    # --- what is entered ------------------------------------------------------------------------------------------

    def measured(self, at: Instant) -> None:
        """The newest of the lot's measures: for the limits judged on it, and for those on what it completes."""
        for error in self._complete(len(self.lot.measures)):
            self.lot.hub.problem(at, "measure", MEASURE, f"lot {self.lot.id}: {error}")
        for run in self.lot.runs.values():
            for watch in _open(run):
                if isinstance(watch, RecordWatch | CompositionWatch):
                    self._enter(run, watch)

    def _complete(self, count: int) -> list[str]:
        at, name, value = self.lot.measures[count - 1]
        found, wrong = completed(self.lot.measures[:count])
        self.values += [[at, name, value], *([at, n, v] for n, v in found)]
        return wrong

    def _enter(self, run: Run, watch: RecordWatch | CompositionWatch) -> None:
        assert run.opened is not None
        for at, name, value in self.values[watch.seen :]:
            if name == watch.measure:
                watch.enter(at, run.opened, value)
        watch.seen = len(self.values)
        if watch.news:
            self.lot.hear(watch)

    # --- snapshot -------------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """JSON-able values."""
        return {name: stages.state() for name, stages in self.stages.items()}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave, once the lot's measures, runs and movers are there again."""
        for count in range(1, len(self.lot.measures) + 1):
            self._complete(count)
        for run in (r for newest in self.lot.runs.values() for r in newest.every()):
            if isinstance(run.limit.rule, Profile) and (name := f"{run.key}#{run.generation}") in state:
                self._stages(run).restore(state[name])
            for watch in run.watches:
                self._link(run, watch)
        for mover in self.lot.movers:
            self._link_mover(mover)


def serving(limit: Limit) -> set[str] | None:
    """What serves a limit that no probe serves: its entries, or nothing where it is exempt; None where probes do."""
    if isinstance(limit.rule, Humidity) and limit.rule.min_rh is None:
        return set() if limit.rule.exempt else {MEASURE}
    return {MEASURE} if isinstance(limit.rule, Composition) else None


def _is_pair(limit: Limit) -> bool:
    return isinstance(limit.rule, Humidity) and limit.rule.min_rh is not None and limit.place == "wet-bulb"


def _open(run: Run) -> list[Watch]:
    return [w for r in run.every() for w in r.live.values() if w.closed is None]
