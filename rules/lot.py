"""One lot: its steps, placements and limits. Events and news of watches in, findings out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

from rules.errors import EventError
from rules.finding import Finding, Verdict, worst
from rules.limits.come_up import ComeUpWatch, FirstCold
from rules.limits.cooling import CoolingWatch
from rules.limits.hold_for_step import CoreHold, FallWatch
from rules.limits.lethality import LethalityWatch
from rules.limits.spec import Cooling
from rules.limits.watch import News, Watch
from rules.plan import Limit, Plan, Probe, Product, Step
from rules.quantity import format_span
from rules.reading import MINUTE, Instant
from rules.run import Run

CONFIRM_WITHIN = 30 * MINUTE


class Hub(Protocol):
    """What the engine does for a lot."""

    now: Instant

    def attach(self, watch: Watch, owner: Lot) -> None:
        """Feed the watch with its probe's readings from now on, and with one that stands at this very instant."""

    def detach(self, watch: Watch) -> None:
        """Feed it no more."""

    def later(self, at: Instant, lot: str, kind: str, arg: str) -> None:
        """Call the lot's `timer` when time has come to `at`."""

    def closing(self, at: Instant, owner: Lot, run: Run, watch: Watch | None, how: str) -> None:
        """Close the watch once every reading at `at` has been taken."""

    def keep(self, watch: Watch) -> None:
        """Take back a closing asked for at this very instant: the watch goes on."""

    def say(self, finding: Finding) -> None:
        """Give a finding out."""

    def cross(self, at: Instant) -> None:
        """Something has happened at `at` that other probes' readings depend on."""


class Lot:
    """A lot from its start to its end, judged by the plan in force at its start."""

    def __init__(self, hub: Hub, plan: Plan, product: Product, lot_id: str, at: Instant) -> None:
        self.hub, self.plan, self.product, self.id, self.started = hub, plan, product, lot_id, at
        self.unit = plan.site.unit
        self.ended: Instant | None = None
        self.current: list[str] = []
        self.entered: dict[str, Instant] = {}
        self.last_entered: Instant = at
        self.by_start = False  # the first step was entered by `start` and nothing has happened since
        self.straddling: dict[str, Any] | None = None
        self.prompt: dict[str, Any] | None = None
        self.decided: list[str] = []  # steps whose advance has been decided
        self.placed: dict[str, Instant] = {}
        self.measures: list[list[Any]] = []
        self.cold: dict[str, Instant] = {}
        self.left_lethal: Instant | None = None
        self.counted_lethal: list[str] = []
        self.said: list[Finding] = []
        self.runs: dict[str, Run] = {}
        self.trackers: dict[str, dict[str, CoolingWatch]] = {}
        self.movers: list[Watch] = []  # FirstCold, CoreHold, FallWatch
        for step in product.steps:
            for limit in step.limits:
                key = f"{step.name}/{limit.name}"
                self.runs[key] = Run(key, limit, limit.over or (step.name,), self.unit)
                if isinstance(limit.rule, Cooling):
                    self.trackers[key] = {}

    # --- events ------------------------------------------------------------------------------------------------

    def begin(self, at: Instant) -> None:
        """Enter the first step, unless a step event stands at the same instant (see `to_step`)."""
        self._enter([self.product.steps[0].name], at)
        self.by_start = True

    def to_step(self, name: str, at: Instant) -> None:
        """A person says that the lot is in this step now."""
        if self.by_start and at == self.started:
            self._forget_entry()
        self.by_start = False
        self.prompt = self.straddling = None
        self._enter([name], at, person=True)

    def may_enter(self, name: str, at: Instant) -> None:
        """Refuse a step that the product does not have, or that the lot is in already."""
        step = self._step(name)
        fresh = self.by_start and at == self.started
        if not fresh and self.straddling is None and self.current == [name] and not step.repeats:
            raise EventError(f'lot {self.id} is in step "{name}" already; write the step that it enters, or `end`')

    def place(self, probe: Probe, at: Instant) -> None:
        """A core probe goes into this lot."""
        self.by_start = False
        self.placed[probe.id] = at
        u = probe.uncertainty_c or 0.0
        for key, trackers in self.trackers.items():
            run = self.runs[key]
            old = trackers.get(probe.id)
            if old is None:
                old = trackers[probe.id] = CoolingWatch(run.limit, probe.id, u, self.unit, at)
                if self._opening(run) is not None:
                    self._open_tracker(run, old, at)
            elif old.before_removal is not None:
                old.reopen()
                if self._opening(run) is not None:
                    run.open_count += 1
            self.hub.attach(old, self)
            self._lend(key)
        for step in self.product.steps:
            for limit in step.limits:
                if limit.kind == "come-up" and f"{step.name}/{limit.name}" not in self.cold:
                    self._move(FirstCold(limit, probe.id, u, self.unit, at))
        self._core_holds(probe.id, u, at)
        self.reconcile(at)

    def remove(self, probe: str, reason: str, at: Instant) -> None:
        """A core probe comes out of this lot."""
        self.by_start = False
        del self.placed[probe]
        for mover in [m for m in self.movers if m.probe == probe]:
            self.movers.remove(mover)
            self.hub.detach(mover)
        for key, trackers in self.trackers.items():
            if probe in trackers:
                self.hub.closing(at, self, self.runs[key], trackers[probe], "withdrawn")
        self.reconcile(at, withdrawn=probe)

    def check(self, place: str, celsius: float, at: Instant) -> None:
        """A value measured by hand; only limits judged on checks count it."""
        self.by_start = False
        for run in self.runs.values():
            watch = run.live.get("check")
            if run.limit.sampled and run.limit.place == place and watch is not None and watch.closed is None:
                watch.read(at, celsius, celsius)
                self.hear(watch)
                self.hub.later(at + run.limit.sampled, self.id, "check", run.key)

    def measure(self, name: str, value: float, at: Instant) -> None:
        """A value entered for the lot: pH, nitrite, salt …"""
        self.by_start = False
        self.measures.append([at, name, value])

    def end(self, at: Instant) -> None:
        """The lot is over: everything still open closes here."""
        self.by_start = False
        self.ended = at
        self.prompt = self.straddling = None
        self.current = []
        for mover in self.movers:
            self.hub.detach(mover)
        self.movers = []
        self.reconcile(at)
        for key, trackers in self.trackers.items():
            for tracker in trackers.values():
                self.hub.closing(at, self, self.runs[key], tracker, "end")
        for run in self.runs.values():
            if run.ended is None or run.limit.kind in ("lethality", "cooling"):
                for watch in run.live.values():
                    self.hub.closing(at, self, run, watch, "end")
                self.hub.closing(at, self, run, None, "run")

    # --- steps -------------------------------------------------------------------------------------------------

    def _step(self, name: str) -> Step:
        step = self.product.step(name)
        if step is None:
            names = ", ".join(s.name for s in self.product.steps)
            raise EventError(f'step is "{name}", which {self.product.code} does not have; write one of {names}')
        return step

    def _enter(self, names: list[str], at: Instant, *, person: bool = False) -> None:
        left = [n for n in self.current if n not in names]
        again = person and self.current == names
        new = [n for n in names if n not in self.current] or (names if again else [])
        self.current = list(names)
        for name in left + (new if again else []):
            if any(self.runs[k].limit.kind == "lethality" for k in self._keys(name)):
                self.left_lethal = at
                self._tell_begin()
        for name in new:
            self.entered.setdefault(name, at)
            self.last_entered = at
            step = self._step(name)
            if step.repeats and name in self.decided:
                self.decided.remove(name)
            if step.advance is not None and step.advance.when == "after":
                self.hub.later(at + step.advance.length, self.id, "after", f"{name}@{at}")
        for probe in self.placed:
            self._core_holds(probe, self.plan.probe_by_id[probe].uncertainty_c or 0.0, at)
        self.hub.cross(at)
        self.reconcile(at, person=person, again=new if again else [])
        self._open_cooling(at)

    def _forget_entry(self) -> None:
        """A `step` stands at the instant of the start: the first step was never entered."""
        for run in self.runs.values():
            for watch in run.watches:
                self.hub.detach(watch)
            fresh = Run(run.key, run.limit, run.steps, self.unit)
            self.runs[run.key] = fresh
        self.current, self.entered = [], {}

    def _keys(self, step: str) -> list[str]:
        return [k for k in self.runs if k.split("/", 1)[0] == step]

    def reconcile(self, at: Instant, *, withdrawn: str = "", person: bool = False, again: list[str] | None = None) -> None:
        """Bring every run and its watches in line with the steps, rooms and placements from `at` on."""
        for run in self.runs.values():
            if isinstance(run.limit.rule, Cooling):
                continue
            should = any(s in self.current for s in run.steps)
            restarted = bool(again) and run.steps[0] in (again or [])
            if should and (not run.current or restarted):
                self._begin_run(run, at, restarted=restarted)
            elif not should and (run.current or (run.travelling and (person or self.ended is not None))):
                self._leave_run(run, at, person=person)
            wanted = self._serving(run) if run.current or run.travelling else set()
            for probe in sorted(wanted):
                watch = run.live.get(probe)
                if watch is None or watch.closed is not None:
                    self._open(run, probe, at)
                else:
                    self.hub.keep(watch)
            for probe, watch in run.live.items():
                beyond = isinstance(watch, LethalityWatch) and (probe in self.placed or run.limit.place != "core") and self.ended is None
                if watch.closed is None and probe not in wanted and not beyond:
                    self.hub.closing(at, self, run, watch, "withdrawn" if probe == withdrawn else "limit")

    def _begin_run(self, run: Run, at: Instant, *, restarted: bool) -> None:
        step = self._step(run.key.split("/", 1)[0])
        if restarted:
            for watch in run.live.values():
                self.hub.closing(at, self, run, watch, "limit")
        run.begin(at, repeats=step.repeats)
        for watch in run.live.values():
            if isinstance(watch, LethalityWatch):
                watch.enter()
        if run.limit.sampled:
            self.hub.later(at + run.limit.sampled, self.id, "check", run.key)

    def _leave_run(self, run: Run, at: Instant, *, person: bool) -> None:
        if run.limit.kind == "lethality":
            for watch in run.live.values():
                self.hub.closing(at, self, run, watch, "leave")
        elif run.limit.critical and not person and self.ended is None and any(not w.final for w in run.live.values()):
            run.travelling, run.current = True, False
            return
        run.current = run.travelling = False
        self.hub.closing(at, self, run, None, "run")

    def _serving(self, run: Run) -> set[str]:
        if self.ended is not None:
            return set()
        if run.limit.sampled:
            return {"check"}
        if run.limit.place == "core":
            return set(self.placed)
        names = run.steps if run.travelling else [s for s in run.steps if s in self.current]
        rooms = {self._step(s).room for s in names}
        return {p.id for p in self.plan.probes if p.place == run.limit.place and (not self.plan.rooms or p.room in rooms)}

    def _open(self, run: Run, probe: str, at: Instant) -> None:
        spec = self.plan.probe_by_id.get(probe)
        watch = run.open_watch(probe, (spec.uncertainty_c or 0.0) if spec else 0.0, at)
        if isinstance(watch, ComeUpWatch):
            watch.cold_at = self.cold.get(run.key)
        if probe != "check":
            self.hub.attach(watch, self)
        if isinstance(watch, LethalityWatch) and not watch.final:
            self._move(FallWatch(run.limit, probe, watch.u, self.unit, at))

    def _move(self, mover: Watch) -> None:
        if any(type(m) is type(mover) and m.probe == mover.probe and m.limit is mover.limit for m in self.movers):
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
                self.hub.cross(item.at)
                self._lend(run.key if run else "")
            elif item.what == "cold":
                for key, other in self.runs.items():
                    if other.limit is watch.limit:
                        self._was_cold(key, item.at)
            elif item.what == "held":
                self._core_held(item.at)
            else:
                self._say(run, watch, item)
                if item.what == "met" and run is not None and run.limit.kind in ("lethality", "dwell"):
                    self._shown(run, watch, item.at)

    def _run_of(self, watch: Watch) -> Run | None:
        return next((r for r in self.runs.values() if r.limit is watch.limit), None)

    def _say(self, run: Run | None, watch: Watch, item: News) -> None:
        limit = watch.limit
        step = run.key.split("/", 1)[0] if run else ""
        old = self.straddling["from"] if self.straddling else ""
        if old and not limit.critical and step == old:
            return  # suppressed by design: the meat has left that step, nobody has confirmed it yet
        self.tell(item.at, item.what, step, limit, watch.probe, item.text)

    def tell(self, at: Instant, what: str, step: str, limit: Limit | None, probe: str, text: str) -> None:
        """Give a finding out and keep it for the report."""
        name, critical = (limit.name, limit.critical) if limit else ("", False)
        finding = Finding(at, what, self.id, step, name, probe, critical, text, self.hub.now)
        self.said.append(finding)
        self.hub.say(finding)

    def _was_cold(self, key: str, at: Instant) -> None:
        self.cold[key] = min(at, self.cold.get(key, at))
        for watch in self.runs[key].watches:
            if isinstance(watch, ComeUpWatch):
                watch.cold_at = self.cold[key]

    def _shown(self, run: Run, watch: Watch, at: Instant) -> None:
        """A lethality or dwell watch is met."""
        self.hub.cross(at)
        if run.limit.kind == "lethality":
            self.hub.detach(watch)
            for mover in [m for m in self.movers if isinstance(m, FallWatch) and m.probe == watch.probe]:
                self.movers.remove(mover)
                self.hub.detach(mover)
        if run.limit.kind == "lethality" and run.limit.critical:
            self._end_come_up(watch.probe, run.limit.place, at)
        if run.verdict()[0] is not Verdict.MET:
            return
        if run.limit.kind == "lethality":
            if any(r.opened_cooling() for r in self.runs.values()) and f"{run.key}#{run.generation}" not in self.counted_lethal:
                self.counted_lethal.append(f"{run.key}#{run.generation}")
                for trackers in self.trackers.values():
                    for tracker in trackers.values():
                        tracker.restart()
            self._open_cooling(at)
        for name in list(self.current):
            step = self._step(name)
            wanted = {"lethality": "lethality met", "dwell": "dwell met"}[run.limit.kind]
            if step.advance is not None and step.advance.when == wanted and self._all_met(name, run.limit.kind):
                self._advance(step, at)

    def _all_met(self, step: str, kind: str) -> bool:
        own = [self.runs[k] for k in self._keys(step) if self.runs[k].limit.kind == kind]
        runs = own or [r for r in self.runs.values() if r.limit.kind == kind and r.opened is not None]
        return bool(runs) and all(r.verdict()[0] is Verdict.MET for r in runs)

    def _end_come_up(self, probe: str, place: str, at: Instant) -> None:
        lethal = [r for r in self.runs.values() if r.limit.kind == "lethality" and r.limit.critical and r.limit.place == place]
        for run in lethal:
            watch = run.live.get(probe)
            if run.opened is not None and (watch is None or watch.verdict is not Verdict.MET):
                return
        for run in self.runs.values():
            come_up = run.live.get(probe)
            if run.limit.place == place and isinstance(come_up, ComeUpWatch) and come_up.closed is None and not come_up.final:
                self.hub.closing(at, self, run, come_up, "lethality")

    # --- cooling -----------------------------------------------------------------------------------------------

    def _opening(self, run: Run) -> Instant | None:
        return run.opened

    def _lethal_runs(self) -> list[Run]:
        return [
            r
            for r in self.runs.values()
            if r.limit.kind == "lethality" and (r.opened is not None or not self._step(r.key.split("/", 1)[0]).optional)
        ]

    def _open_cooling(self, at: Instant) -> None:
        lethal = self._lethal_runs()
        met = bool(lethal) and all(r.opened is not None and r.verdict()[0] is Verdict.MET for r in lethal)
        for key, trackers in self.trackers.items():
            run = self.runs[key]
            if run.opened is not None or not (met or any(s in self.entered for s in run.steps)):
                continue
            run.begin(at, repeats=False)
            self.counted_lethal = sorted({*self.counted_lethal, *(f"{r.key}#{r.generation}" for r in lethal if r.opened is not None)})
            self.hub.cross(at)
            for probe in self.placed:
                self._open_tracker(run, trackers[probe], at)
            self._lend(key)
            self._tell_begin()

    def _open_tracker(self, run: Run, tracker: CoolingWatch, at: Instant) -> None:
        tracker.open(at, self._unmet_need(run, run.opened or at))
        run.adopt(tracker)
        run.open_count += 1
        self.hear(tracker)

    def _unmet_need(self, run: Run, opening: Instant) -> str:
        rule = run.limit.rule
        assert isinstance(rule, Cooling)
        if not rule.needs:
            return ""
        values = {name: value for at, name, value in self.measures if at <= opening}
        if any(all(values.get(n.measure, float("-inf")) >= n.least for n in option) for option in rule.needs):
            return ""
        options = " or ".join(" with ".join(f"{n.measure} at least {n.least:g}" for n in option) for option in rule.needs)
        return f"the option asks {options}, entered before cooling opens"

    def _lend(self, key: str) -> None:
        """Give probes that never were hot the earliest clock of the others."""
        trackers = self.trackers.get(key, {})
        for tracker in trackers.values():
            if tracker.own_hot or tracker.final:
                continue
            others = [t for t in trackers.values() if t is not tracker]
            clocks = [t.clock for t in others if t.own_hot and t.clock is not None]
            hot = any(t.own_hot for t in others)
            tracker.lend(min(clocks, default=None), None if hot else self.runs[key].opened)
            if tracker.news:
                self.hear(tracker)

    def _tell_begin(self) -> None:
        if self.left_lethal is None:
            return
        for key, trackers in self.trackers.items():
            rule = self.runs[key].limit.rule
            if isinstance(rule, Cooling) and rule.begin_within is not None:
                for tracker in trackers.values():
                    tracker.begin(self.left_lethal + rule.begin_within)

    def tick(self, now: Instant) -> None:
        """Silence may decide a cooling deadline."""
        for trackers in self.trackers.values():
            for tracker in trackers.values():
                tracker.tick(now)
                if tracker.news:
                    self.hear(tracker)

    # --- advancing by itself -----------------------------------------------------------------------------------

    def _core_holds(self, probe: str, u: float, at: Instant) -> None:
        for mover in [m for m in self.movers if isinstance(m, CoreHold) and m.probe == probe]:
            if not any(self._step(n).advance is mover.advance for n in self.current):
                self.movers.remove(mover)
                self.hub.detach(mover)
        for name in self.current:
            advance = self._step(name).advance
            if advance is not None and advance.when == "core" and name not in self.decided:
                limit = next(iter(self.runs.values())).limit
                if not any(isinstance(m, CoreHold) and m.probe == probe and m.advance is advance for m in self.movers):
                    hold = CoreHold(advance, limit, probe, u, self.unit, at)
                    self.movers.append(hold)
                    self.hub.attach(hold, self)

    def _core_held(self, at: Instant) -> None:
        for name in list(self.current):
            step = self._step(name)
            if step.advance is None or step.advance.when != "core" or name in self.decided:
                continue
            holds = [m for m in self.movers if isinstance(m, CoreHold) and m.advance is step.advance]
            if {h.probe for h in holds if h.held} >= set(self.placed):
                self.hub.cross(at)
                self._advance(step, at)

    def timer(self, at: Instant, kind: str, arg: str) -> None:
        """A time set earlier has come."""
        if self.ended is not None:
            return
        if kind == "after":
            name, entered = arg.rsplit("@", 1)
            if name in self.current and int(entered) == self.last_entered and name not in self.decided:
                self._advance(self._step(name), at)
        elif kind == "confirm" and self.prompt is not None and self.prompt["at"] == int(arg):
            self.prompt["escalated"] = True
            text = f'nobody has confirmed for {format_span(at - self.prompt["at"])}: is the lot in "{self.prompt["to"]}"?'
            self.tell(at, "unconfirmed", self.prompt["from"], None, "", text)
        elif kind == "check":
            run = self.runs[arg]
            watch = run.live.get("check")
            due = watch is not None and watch.closed is None and (watch.last_at or watch.opened) + (run.limit.sampled or 0) <= at
            if due and run.current:
                text = f"a hand check of the {run.limit.place} is due, every {format_span(run.limit.sampled or 0)}"
                self.tell(at, "check-due", run.key.split("/", 1)[0], run.limit, "check", text)

    def _advance(self, step: Step, at: Instant) -> None:
        if step.name in self.decided or step.advance is None:
            return
        self.decided.append(step.name)
        following = self.product.steps[self.product.steps.index(step) + 1 :]
        target = next((s for s in following if not s.optional), None)
        how = step.advance.how
        if target is None or how == "hand":
            return
        same_room = target.room == step.room
        if step.advance.when == "after" and (not same_room or self._open_critical(step)):
            how = "ask"
        if how == "auto" and same_room:
            self.tell(
                at,
                "advanced",
                target.name,
                None,
                "",
                f'{step.advance.text or step.advance.when}: the lot entered "{target.name}" by itself',
            )
            self._enter([target.name], at)
            return
        if how == "auto":
            self.straddling = {"from": step.name, "to": target.name, "since": at}
            self._enter([step.name, target.name], at)
        within = step.advance.confirm_within or CONFIRM_WITHIN
        self.prompt = {"at": at, "from": step.name, "to": target.name, "escalated": False}
        text = (
            f'{step.advance.text or step.advance.when}: is the lot in "{target.name}" now? Both steps are judged until somebody confirms.'
        )
        if how == "ask":
            text = f'{step.advance.text or step.advance.when}: move the lot to "{target.name}" and confirm it.'
        self.tell(at, "prompt", step.name, None, "", text)
        self.hub.later(at + within, self.id, "confirm", str(at))

    def _open_critical(self, step: Step) -> bool:
        runs = [self.runs[k] for k in self._keys(step.name)]
        return any(r.limit.critical and (not r.watches or any(not w.final for w in r.live.values())) for r in runs)

    # --- verdict ------------------------------------------------------------------------------------------------

    def limit_verdict(self, run: Run) -> tuple[Verdict, str]:
        """The limit's verdict; of a step that an ended lot never entered, `unproven` unless the step is optional."""
        entered = run.opened is not None
        if entered or self.ended is None:
            return run.verdict()
        if self._step(run.key.split("/", 1)[0]).optional:
            return Verdict.MET, "step not used"
        return Verdict.UNPROVEN, "the lot ended without entering this step"

    def verdict(self) -> Verdict:
        """The worst of the critical limits; `met` only once the lot has ended."""
        verdict = worst([self.limit_verdict(r)[0] for r in self.runs.values() if r.limit.critical] or [Verdict.MET])
        return Verdict.OPEN if verdict is Verdict.MET and self.ended is None else verdict

    def all_watches(self) -> Iterator[Watch]:
        """Every watch and mover that reads a probe's stream."""
        for run in self.runs.values():
            yield from (w for w in run.watches if not isinstance(w, CoolingWatch) and w.probe != "check")
        for trackers in self.trackers.values():
            yield from trackers.values()
        yield from self.movers
