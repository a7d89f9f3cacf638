"""One lot: its steps, placements and limits. Events and news of watches in, findings out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rules.errors import EventError
from rules.finding import Finding, Verdict, worst
from rules.hub import Hub
from rules.limits.come_up import ComeUpWatch, FirstCold
from rules.limits.cooling import CoolingWatch
from rules.limits.degree_hours import HottestWatch
from rules.limits.hold_for_step import FallWatch
from rules.limits.lethality import LethalityWatch
from rules.limits.spec import ComeUp, Cooling
from rules.limits.watch import Watch
from rules.lot_advance import LotAdvance
from rules.lot_cooling import LotCooling
from rules.lot_forecast import LotForecast
from rules.lot_process import INNER, LINGERING, MEASURE, LotProcess, serving
from rules.lot_rows import LotRows
from rules.lot_says import LotSays
from rules.lot_shown import LotShown
from rules.plan import Plan, Probe, Product, Step
from rules.quantity import at_or_below, format_span
from rules.reading import Instant
from rules.run import Run


class Lot:
    """A lot from its start to its end, judged by the plan in force at its start."""

    def __init__(self, hub: Hub, plan: Plan, product: Product, lot_id: str, at: Instant) -> None:
        self.hub, self.plan, self.product, self.id, self.started = hub, plan, product, lot_id, at
        self.unit = plan.site.unit
        self.ended: Instant | None = None
        self.sealed: bytes | None = None  # its packed state, once nothing changes it any more (`rules/snapshot.py`)
        self.current: list[str] = []
        self.entered: dict[str, Instant] = {}
        self.since: dict[str, Instant] = {}  # when each current step was entered last
        self.by_start = False  # the first step was entered by `start` and nothing has happened since
        self.by_itself: list[Any] | None = None  # [when it last entered a step by itself, the steps it was in before]
        self.placed: dict[str, Instant] = {}
        self.measures: list[list[Any]] = []
        self.cold: dict[str, Instant] = {}
        self.doubted: dict[str, list[list[Instant]]] = {}  # stretches [first, last] of suspect readings, by probe
        self.runs: dict[str, Run] = {}
        self.movers: list[Watch] = []  # FirstCold, CoreHold, FallWatch
        for step in product.steps:
            for limit in step.limits:
                key = f"{step.name}/{limit.name}"
                self.runs[key] = Run(key, limit, limit.over or (step.name,), self.unit)
        self.says, self.shown = LotSays(self), LotShown(self)
        self.cooling = LotCooling(self)
        self.advance = LotAdvance(self)
        self.rows, self.process = LotRows(self), LotProcess(self)
        self.forecast = LotForecast(self)

    # --- events ------------------------------------------------------------------------------------------------

    def begin(self, at: Instant) -> None:
        """Enter the first step, unless a step event stands at the same instant (see `to_step`)."""
        self.cooling.begin(at)
        self.enter([self.product.steps[0].name], at)
        self.by_start = True

    def to_step(self, name: str, at: Instant) -> None:
        """A person says that the lot is in this step now."""
        if self.by_start and at == self.started:
            self._forget_entry()
        self.by_start = False
        self.advance.answered()
        if self.current != [name] or self.step(name).repeats:
            self.enter([name], at, person=True)
        else:
            self.reconcile(at, person=True)
            self.cooling.steps_changed(at, [], person=True)

    def place(self, probe: Probe, at: Instant) -> None:
        """A core probe goes into this lot."""
        self.by_start = False
        self.placed[probe.id] = at
        self.hub.evidence.meat.placed(probe.id, self, at)
        u = probe.uncertainty_c or 0.0
        self.cooling.place(probe, at)
        for step in self.product.steps:
            for limit in step.limits:
                if limit.kind == "come-up" and not limit.sampled and f"{step.name}/{limit.name}" not in self.cold:
                    self.follow(FirstCold(limit, probe.id, u, self.unit, at))
        self.advance.follow(probe.id, u, at)
        self.reconcile(at)
        self.forecast.place(probe, at)

    def remove(self, probe: str, reason: str, at: Instant) -> None:
        """A core probe comes out of this lot."""
        self.by_start = False
        del self.placed[probe]
        self.hub.evidence.meat.taken_out(probe)
        for mover in [m for m in self.movers if m.probe == probe]:
            self._dismiss(mover, at)
        self.cooling.remove(probe, at)
        self.forecast.remove(probe)
        self.reconcile(at, withdrawn=probe)

    def check(self, place: str, celsius: float, at: Instant) -> None:
        """A value measured by hand; only limits judged on checks count it."""
        self.by_start = False
        for run in self.runs.values():
            if not run.limit.sampled or run.limit.place != place:
                continue
            if isinstance(run.limit.rule, ComeUp) and celsius < at_or_below(run.limit.rule.low_c):
                self._was_cold(run.key, at)
            for each in run.every():  # an earlier entry's lethality may be open still
                watch = each.live.get("check")
                if watch is not None and watch.closed is None and not isinstance(watch, CoolingWatch):
                    watch.read(at, celsius, celsius)
                    self.hear(watch)
            if run.current:
                self.hub.later(at + run.limit.sampled, self.id, "check", run.key)
        self.cooling.check(place, celsius, at)

    def measure(self, name: str, value: float, at: Instant) -> None:
        """A value entered for the lot: pH, nitrite, salt …"""
        self.by_start = False
        self.measures.append([at, name, value])
        self.rows.measured(name, at)
        self.process.measured(at)

    def end(self, at: Instant) -> None:
        """The lot is over: everything still open closes here."""
        self.by_start = False
        self.ended = at
        for probe in self.placed:
            self.hub.evidence.meat.taken_out(probe)
        self.advance.answered()
        self.current, self.since = [], {}
        for mover in [m for m in self.movers if not isinstance(m, (HottestWatch, *LINGERING))]:
            self._dismiss(mover, at)
        self.forecast.end()
        self.reconcile(at)
        self.cooling.end(at)
        for newest in self.runs.values():
            for run in newest.every():
                if run.ended is None or run.limit.kind in ("lethality", "cooling"):
                    for watch in run.live.values():
                        self.hub.closing(at, self, run, watch, "end")
                    self.hub.closing(at, self, run, None, "run")

    # --- steps -------------------------------------------------------------------------------------------------

    def step(self, name: str) -> Step:
        """The product's step of that name; EventError where it has none."""
        step = self.product.step(name)
        if step is None:
            names = ", ".join(s.name for s in self.product.steps)
            raise EventError(f'step is "{name}", which {self.product.code} does not have; write one of {names}')
        return step

    def rooms(self, at: Instant) -> set[str | None]:
        """The rooms that the lot is in for a reading at `at`: a step entered by itself at this very instant comes after it."""
        steps = self.by_itself[1] if self.by_itself is not None and self.by_itself[0] == at else self.current
        return {self.step(name).room for name in steps}

    def step_of(self, run: Run) -> Step:
        """The step that carries the run's limit."""
        return self.step(run.key.split("/", 1)[0])

    def keys(self, step: str) -> list[str]:
        """The keys of the runs whose limits this step carries."""
        return [k for k in self.runs if k.split("/", 1)[0] == step]

    def enter(self, names: list[str], at: Instant, *, person: bool = False) -> None:
        """Be in these steps (two while straddling) from `at` on."""
        again = names if person and self.current == names else []
        left = [n for n in self.current if n not in names] + again
        new = [n for n in names if n not in self.current] + again
        if not person and at == self.hub.now and self.current:
            self.by_itself = [at, list(self.current)]
        self.current = list(names)
        self.since = {n: at if n in new else self.since[n] for n in names}
        for name in new:
            self.entered.setdefault(name, at)
            self.advance.entered(self.step(name), at)
        for probe in self.placed:
            self.advance.follow(probe, self.plan.probe_by_id[probe].uncertainty_c or 0.0, at)
        self.hub.cross(at)
        self.hub.evidence.meat.moved(self)
        self.reconcile(at, person=person, again=again)
        self.cooling.steps_changed(at, left, person=person)

    def _forget_entry(self) -> None:
        """A `step` stands at the instant of the start: the first step was never entered."""
        for run in self.runs.values():
            for watch in run.watches:
                self.hub.detach(watch)
            fresh = Run(run.key, run.limit, run.steps, self.unit)
            self.runs[run.key] = fresh
        self.current, self.entered, self.since = [], {}, {}
        self.cooling = LotCooling(self)
        self.cooling.begin(self.started)
        self.advance, self.process = LotAdvance(self), LotProcess(self)

    def reconcile(self, at: Instant, *, withdrawn: str = "", person: bool = False, again: list[str] | None = None) -> None:
        """Bring every run and its watches in line with the steps, rooms and placements from `at` on."""
        for run in list(self.runs.values()):
            if isinstance(run.limit.rule, Cooling):
                continue
            should = any(s in self.current for s in run.steps)
            restarted = bool(again) and not run.limit.over and run.steps[0] in (again or [])
            if should and (not run.current or restarted):
                run = self._begin_run(run, at, restarted=restarted)  # noqa: PLW2901 — a step entered again may have a fresh run
            elif not should and (run.current or (run.travelling and (person or self.ended is not None))):
                self._leave_run(run, at, person=person)
            wanted = self._serving(run) if run.current or run.travelling else set()
            for probe in sorted(wanted):
                watch = run.live.get(probe)
                if watch is None or watch.closed is not None:
                    self._open(run, probe, at)
                else:
                    self.hub.keep(watch)
            for each in run.every():
                for probe, watch in each.live.items():
                    beyond = (
                        isinstance(watch, LethalityWatch)
                        and (probe in self.placed or probe == "check" or run.limit.place != "core")
                        and self.ended is None
                    )
                    if watch.closed is None and not beyond and (each is not run or probe not in wanted):
                        self.hub.closing(at, self, each, watch, "withdrawn" if probe == withdrawn else "limit")
        self.rows.chambers(at)
        self.process.reconcile(at)

    def _begin_run(self, run: Run, at: Instant, *, restarted: bool) -> Run:
        if restarted:
            self._leave_run(run, at, person=True)
        if self.step_of(run).repeats and not run.limit.over and run.opened is not None:
            run = self.runs[run.key] = run.again()
        run.begin(at)
        for watch in run.live.values():
            if isinstance(watch, LethalityWatch):
                watch.enter()
        if run.limit.sampled:
            self.hub.later(at + run.limit.sampled, self.id, "check", run.key)
        return run

    def _leave_run(self, run: Run, at: Instant, *, person: bool) -> None:
        if run.limit.kind == "lethality":
            for watch in run.live.values():
                self.hub.closing(at, self, run, watch, "leave")
        elif run.limit.critical and not person and self.ended is None and not self.all_final(run):
            run.travelling, run.current = True, False
            return
        run.current = run.travelling = False
        self.hub.closing(at, self, run, None, "run")

    def all_final(self, run: Run) -> bool:
        """Whether nothing that is read later can change the limit's watches; with no watch yet, everything can."""
        return bool(run.live) and all(w.final or w.verdict is Verdict.DEVIATED or self.hub.ends(w) for w in run.live.values())

    def _serving(self, run: Run) -> set[str]:
        if self.ended is not None:
            return set()
        if run.limit.sampled:
            return {"check"}
        if (entered := serving(run.limit)) is not None:
            return entered
        if run.limit.place == "core":
            return set(self.placed)
        return self.fixed(run.limit.place, run)

    def fixed(self, place: str, run: Run) -> set[str]:
        """The fixed probes of that place in the rooms where the limit runs now."""
        names = run.steps if run.travelling else [s for s in run.steps if s in self.current]
        rooms = {self.step(s).room for s in names}
        return {p.id for p in self.plan.probes if p.place == place and (not self.plan.rooms or p.room in rooms)}

    def _open(self, run: Run, probe: str, at: Instant) -> None:
        spec = self.plan.probe_by_id.get(probe)
        watch = run.open_watch(probe, (spec.uncertainty_c or 0.0) if spec else 0.0, at)
        if isinstance(watch, ComeUpWatch):
            watch.cold_at = self.cold.get(run.key)
        self.rows.opened(run, watch, at)
        self.process.opened(run, watch)
        if probe not in ("check", MEASURE) and not watch.final:
            self.hub.attach(watch, self)
        self.tell_run(run, at)
        if isinstance(watch, LethalityWatch) and not watch.final and probe != "check":
            self.follow(FallWatch(run.limit, probe, watch.u, self.unit, at))

    def drop_mover(self, mover: Watch) -> None:
        """Stop feeding a mover."""
        self.movers.remove(mover)
        self.hub.keep(mover)  # a closing asked for at this very instant has nothing left to close, and no name in a snapshot
        self.hub.detach(mover)

    def _dismiss(self, mover: Watch, at: Instant) -> None:
        """Its probe comes out; whether the lot was cold is asked of the readings of this very instant too."""
        run = self._run_of(mover)
        if isinstance(mover, FirstCold) and run is not None:
            self.hub.closing(at, self, run, mover, "mover")
        else:
            self.drop_mover(mover)

    def follow(self, mover: Watch) -> None:
        """Feed a mover, unless there is one like it."""
        for like in self.movers:
            if type(like) is type(mover) and like.probe == mover.probe and like.limit is mover.limit:
                self.hub.keep(like)
                return
        self.movers.append(mover)
        self.hub.attach(mover, self)

    # --- news of watches ---------------------------------------------------------------------------------------

    def hear(self, watch: Watch) -> None:
        """Turn a watch's news into findings and into what follows from them."""
        news, watch.news = watch.news, []
        run = self._run_of(watch)
        for item in news:
            if item.what == "clock":
                self.cooling.clock_changed(run.key if run else "", item.at)
            elif item.what == "borrow":
                self.cooling.lend(run.key if run else "")
            elif item.what == "kept" and run is not None:
                self.cooling.kept(run, watch)
            elif item.what == "cold":
                for key, other in self.runs.items():
                    if other.limit is watch.limit:
                        self._was_cold(key, item.at)
            elif item.what == "hotter" and run is not None:
                self.rows.hotter(run, watch, item.at)
            elif item.what in INNER:
                self.process.heard(watch, item)
            elif item.what == "held":
                self.advance.held(item.at)
            else:
                self.says.news(run, watch, item)
                if item.what == "met" and run is not None and run.limit.kind in ("lethality", "dwell"):
                    self.shown.watch_met(run, watch, item.at)

    def _run_of(self, watch: Watch) -> Run | None:
        return next((r for r in self.runs.values() if r.limit is watch.limit), None)

    @property
    def said(self) -> list[Finding]:
        """Every finding of the lot, in the order in which they became known."""
        return self.says.said

    def tell_run(self, run: Run, at: Instant) -> None:
        """A limit has ended, or has a new watch: time without any may be worth a finding."""
        self.says.uncovered(run, at)

    def _was_cold(self, key: str, at: Instant) -> None:
        self.cold[key] = min(at, self.cold.get(key, at))
        for watch in self.runs[key].all_watches():
            if isinstance(watch, ComeUpWatch):
                watch.cold_at = self.cold[key]

    def withdrew(self, run: Run, at: Instant) -> None:
        """A watch was closed by its probe's removal; with `probes = N` that may leave the limit met."""
        if run.limit.kind in ("lethality", "dwell") and run.limit.probes is not None:
            self.shown.limit_met(self.runs[run.key], at)
        if run.limit.kind == "cooling":
            self.cooling.lend(run.key)  # a probe taken out hot has started its clock for those that wait for it

    def timer(self, at: Instant, kind: str, arg: str) -> None:
        """A time set earlier has come."""
        if self.ended is not None:
            return
        if kind != "check":
            self.advance.timer(at, kind, arg)
            return
        run = self.runs[arg]
        watch = run.live.get("check")
        every = run.limit.sampled or 0
        if run.current and watch is not None and watch.closed is None and (watch.last_at or watch.opened) + every <= at:
            text = f"a hand check of the {run.limit.place} is due, every {format_span(every)}"
            self.says.tell(at, "check-due", self.step_of(run).name, run.limit, "check", text)

    # --- verdict ------------------------------------------------------------------------------------------------

    def limit_verdict(self, run: Run) -> tuple[Verdict, str]:
        """The limit's verdict; of a step that an ended lot never entered, `unproven` unless the step is optional."""
        if self.ended is None or any(s in self.entered for s in run.steps):
            return run.verdict()
        if run.all_watches() and run.verdict()[0] is Verdict.DEVIATED:
            return run.verdict()
        if self.step_of(run).optional:
            return Verdict.MET, "step not used"
        return Verdict.UNPROVEN, "the lot ended without entering this step"

    def verdict(self) -> Verdict:
        """The worst of the critical limits; `met` only once the lot has ended."""
        verdict = worst([self.limit_verdict(r)[0] for r in self.runs.values() if r.limit.critical] or [Verdict.MET])
        return Verdict.OPEN if verdict is Verdict.MET and self.ended is None else verdict

    def depends_on(self, probe: str) -> bool:
        """Whether the lot would miss this probe now: it is placed here, or serves a limit that runs."""
        running = [run for run in self.runs.values() if run.current or run.travelling]
        beside = any(m.probe == probe for m in self.movers if isinstance(m, LINGERING))
        return probe in self.placed or beside or any((w := run.live.get(probe)) is not None and w.closed is None for run in running)

    def all_watches(self) -> Iterator[Watch]:
        """Every watch and mover that reads a probe's stream."""
        for run in self.runs.values():
            yield from (w for w in run.all_watches() if not isinstance(w, CoolingWatch) and w.probe not in ("check", MEASURE))
        for trackers in self.cooling.trackers.values():
            yield from trackers.values()
        yield from self.movers
        yield from self.forecast.watches.values()
