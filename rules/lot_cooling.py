"""The cooling limits of one lot: when they open, whose clock a probe borrows, when they end."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rules.finding import Verdict
from rules.limits.cooling import CoolingWatch
from rules.limits.spec import Cooling
from rules.limits.watch import Watch
from rules.next_row import next_row
from rules.plan import Probe
from rules.reading import Instant
from rules.run import Run

if TYPE_CHECKING:
    from rules.lot import Lot


class LotCooling:
    """Trackers of every core probe that was placed in the lot, by cooling limit; a tracker is a watch once its limit is open."""

    def __init__(self, lot: Lot) -> None:
        self.lot = lot
        self.trackers: dict[str, dict[str, CoolingWatch]] = {k: {} for k, r in lot.runs.items() if isinstance(r.limit.rule, Cooling)}
        self.left_lethal: Instant | None = None
        self.counted: list[str] = []  # entries of lethality steps that were met, or were to be, when cooling opened

    def begin(self, at: Instant) -> None:
        """The lot starts: a limit judged on hand checks follows them from now on."""
        lot = self.lot
        for key, trackers in self.trackers.items():
            if lot.runs[key].limit.sampled:
                trackers["check"] = CoolingWatch(lot.runs[key].limit, "check", 0.0, lot.unit, at)

    def place(self, probe: Probe, at: Instant) -> None:
        """Follow a probe from its placement on, whether the limit is open or not."""
        lot = self.lot
        for key, trackers in self.trackers.items():
            run = lot.runs[key]
            if run.limit.sampled:
                continue
            if probe.id not in trackers:
                trackers[probe.id] = CoolingWatch(run.limit, probe.id, probe.uncertainty_c or 0.0, lot.unit, at)
                self._tell_begin(at, trackers[probe.id])
            self._go_on(run, trackers[probe.id], at)
            self.lend(key)

    def _go_on(self, run: Run, tracker: CoolingWatch, at: Instant) -> None:
        """The probe is in the lot: feed the tracker, from where it was; say what it shows where its limit runs."""
        lot = self.lot
        running = run.current or run.travelling
        if tracker.closed is None:
            lot.hub.keep(tracker)
        elif tracker.told and (not running or run.live.get(tracker.probe) is not tracker):
            tracker = self.hush(run, tracker)
        elif not (tracker.told and tracker.final and tracker.verdict is not Verdict.DEVIATED):
            tracker.reopen()
            run.open_count += tracker.told
        if running and not tracker.told:
            self._open(run, tracker, at)
        if tracker.probe != "check" and tracker.closed is None:
            lot.hub.attach(tracker, lot)

    def hush(self, run: Run, watch: CoolingWatch) -> CoolingWatch:
        """The limit is over for a watch: it keeps its verdict, and a silent tracker goes on with what is known."""
        tracker = CoolingWatch(run.limit, watch.probe, watch.u, self.lot.unit, watch.opened)
        tracker.restore(watch.before_removal if watch.before_removal is not None else watch.state())
        tracker.hush()
        watch.before_removal = None
        self.trackers[run.key][watch.probe] = tracker
        self.lend(run.key)
        return tracker

    def kept(self, run: Run, watch: Watch) -> None:
        """The last mark was kept long enough, and the watch is final: what follows the probe goes on beside it."""
        if isinstance(watch, CoolingWatch) and watch.closed is None and self.trackers[run.key].get(watch.probe) is watch:
            self.lot.hub.detach(watch)
            tracker = self.hush(run, watch)
            if tracker.probe in self.lot.placed:
                self.lot.hub.attach(tracker, self.lot)

    def left(self, run: Run, watch: Watch) -> None:
        """The last of the limit's steps was left, and the watch has closed with it."""
        if isinstance(watch, CoolingWatch) and self.trackers[run.key].get(watch.probe) is watch:
            tracker = self.hush(run, watch)
            if tracker.probe in self.lot.placed:
                self.lot.hub.attach(tracker, self.lot)

    def _followed(self, key: str) -> list[CoolingWatch]:
        """The trackers of what can serve a limit now: its hand checks, or the probes in the lot."""
        trackers = self.trackers[key]
        return list(trackers.values()) if self.lot.runs[key].limit.sampled else [trackers[p] for p in self.lot.placed]

    def check(self, place: str, celsius: float, at: Instant) -> None:
        """A value measured by hand, for the limits judged on checks."""
        for key, trackers in self.trackers.items():
            run = self.lot.runs[key]
            if not run.limit.sampled or run.limit.place != place:
                continue
            # At the instant at which a chill that repeats is entered again, the check belongs to the old watch too.
            before = [w for each in run.every() if isinstance(w := each.live.get("check"), CoolingWatch) and not w.final]
            for watch in {id(w): w for w in (*before, trackers["check"])}.values():
                if watch.closed is None:
                    watch.read(at, celsius, celsius)
                    self.lot.hear(watch)

    def remove(self, probe: str, at: Instant) -> None:
        """A probe comes out: short, its watch is withdrawn."""
        for key, trackers in self.trackers.items():
            if probe in trackers:
                self.lot.hub.closing(at, self.lot, self.lot.runs[key], trackers[probe], "withdrawn")

    def end(self, at: Instant) -> None:
        """The lot is over."""
        for key, trackers in self.trackers.items():
            for tracker in trackers.values():
                self.lot.hub.closing(at, self.lot, self.lot.runs[key], tracker, "end")

    def tick(self, now: Instant) -> None:
        """Silence may decide a cooling deadline."""
        for trackers in self.trackers.values():
            for tracker in trackers.values():
                tracker.tick(now)
                if tracker.news:
                    # A reading older than this would undo what the silence has decided: it is late.
                    self.lot.hub.cross(now)
                    self.lot.hear(tracker)

    # --- steps and lethality -----------------------------------------------------------------------------------

    def steps_changed(self, at: Instant, left: list[str], *, person: bool) -> None:
        """Open at a cooling step's start, end with the last of its steps; begin counting `begin_within`."""
        lot = self.lot
        cooks = {name for name in (*left, *lot.current) if any(lot.runs[k].limit.kind == "lethality" for k in lot.keys(name))}
        if cooks:
            self.left_lethal = None if cooks & set(lot.current) else at
            self._tell_begin(at)
        for key in self.trackers:
            run = lot.runs[key]
            inside = any(s in lot.current for s in run.steps)
            if run.current and inside and any(s in left for s in run.steps) and lot.step_of(run).repeats and not run.limit.over:
                self._leave(run, at, person=True)  # entered again from itself
                for tracker in [t for t in self._followed(key) if t.told and t.closed is None]:
                    self.hush(run, tracker)
            if run.opened is not None and inside and not run.current:
                if lot.step_of(run).repeats and not run.limit.over and not run.travelling:
                    run = lot.runs[key] = run.again()
                run.begin(at)
                for tracker in self._followed(key):
                    self._go_on(run, tracker, at)
                self.lend(key)
            elif not inside and ((run.current and any(s in left for s in run.steps)) or (run.travelling and person)):
                self._leave(run, at, person=person)
        self.maybe_open(at)

    def _leave(self, run: Run, at: Instant, *, person: bool) -> None:
        """The limit's steps are over; no advance closes a critical limit that is still open."""
        lot = self.lot
        if run.limit.critical and not person and not lot.all_final(run):
            run.travelling, run.current = True, False
            return
        run.current = run.travelling = False
        for each in run.every():
            for watch in each.live.values():
                lot.hub.closing(at, lot, each, watch, "limit")
            if each.ended is None:
                lot.hub.closing(at, lot, each, None, "run")

    def _lethal_runs(self) -> list[Run]:
        lot = self.lot
        return [r for r in lot.runs.values() if r.limit.kind == "lethality" and (r.opened is not None or not lot.step_of(r).optional)]

    def maybe_open(self, at: Instant) -> None:
        """Open when the lot's lethality limits are met, or at the step's start if that comes first."""
        lot = self.lot
        lethal = self._lethal_runs()
        met = bool(lethal) and all(r.opened is not None and r.verdict()[0] is Verdict.MET for r in lethal)
        for key in self.trackers:
            run = lot.runs[key]
            if run.opened is not None or not (met or any(s in lot.current for s in run.steps)):
                continue
            run.begin(at)
            self.counted = sorted({*self.counted, *(f"{lot.step_of(r).name}#{r.generation}" for r in lethal if r.opened is not None)})
            lot.hub.cross(at)
            for tracker in self._followed(key):
                self._open(run, tracker, at)
            self.lend(key)

    def lethality_met(self, run: Run, at: Instant) -> None:
        """A lethality limit is met: cooling opens, or, where it was met after the opening, every clock is sought again."""
        step = self.lot.step_of(run).name
        name = f"{step}#{run.generation}"
        whole = all(r.verdict_alone()[0] is Verdict.MET for k in self.lot.keys(step) if (r := self.lot.runs[k]).limit.kind == "lethality")
        if whole and any(self.lot.runs[k].opened is not None for k in self.trackers) and name not in self.counted:
            self.counted.append(name)
            for key, trackers in self.trackers.items():
                for tracker in trackers.values():
                    tracker.restart()
                self._open_anew(key, at)
                self.lend(key)
        self.maybe_open(at)

    def _open_anew(self, key: str, at: Instant) -> None:
        """A lot cooked again once its cooling was decided is to be cooled again: new watches beside the old ones."""
        lot, run = self.lot, self.lot.runs[key]
        found = [(t, run.live.get(t.probe)) for t in self._followed(key)]
        over = [(t, w) for t, w in found if w is None or w.final or w.closed is not None or w.verdict is Verdict.DEVIATED]
        if not any(w is not None and (w.final or w.verdict is Verdict.DEVIATED) for _, w in over):
            return
        fresh = lot.runs[key] = run.again()
        fresh.begin(at)
        lot.hub.cross(at)
        for tracker, _ in over:
            if tracker.told:
                tracker.closed = at
                lot.hub.detach(tracker)
                tracker = self.hush(run, tracker)  # noqa: PLW2901 — what follows the probe from now on
            tracker.cooked_again()
            self._open(fresh, tracker, at)
            if tracker.probe != "check":
                lot.hub.attach(tracker, lot)

    # --- watches -----------------------------------------------------------------------------------------------

    def _open(self, run: Run, tracker: CoolingWatch, at: Instant) -> None:
        before = run.live.get(tracker.probe)
        if tracker.opening is None:
            tracker.open(at, self._unmet_need(run))
            run.adopt(tracker)
        elif before is None:  # its step repeats and was entered again
            tracker.speak_again(at, self._unmet_need(run))
            run.adopt(tracker)
        elif before.final or before.verdict is Verdict.DEVIATED:
            return
        else:
            tracker.speak_again(at, None)
            run.watches[[w is before for w in run.watches].index(True)] = run.live[tracker.probe] = tracker
        if not tracker.need_sure:
            # A measure entered at the very instant of the opening still counts, so this is said once that has passed.
            self.lot.hub.closing(at, self.lot, run, tracker, "needs")
        run.open_count += 1
        run.bare_since, run.bare = None, 0
        if run.limit.sampled:
            self.lot.hub.later(at + run.limit.sampled, self.lot.id, "check", run.key)
        self.lot.hear(tracker)

    def check_needs(self, run: Run, watch: Watch) -> None:
        """The instant of the opening has passed: say whether the option's conditions were entered by then."""
        assert isinstance(watch, CoolingWatch)
        watch.confirm_need(self._unmet_need(run))
        self.lot.hear(watch)

    def _unmet_need(self, run: Run) -> str:
        rule, opened = run.limit.rule, run.opened
        assert isinstance(rule, Cooling)
        if not rule.needs or opened is None:
            return ""
        values: dict[str, float] = {}
        for at, name, value in self.lot.process.values:
            if at <= opened:
                values[name] = min(value, values.get(name, value))
        if any(all(values.get(n.measure, float("-inf")) >= n.least for n in option) for option in rule.needs):
            return ""
        options = " or ".join(" with ".join(f"{n.measure} at least {n.least:g}" for n in option) for option in rule.needs)
        return f"the option asks {options}, entered before cooling opens{next_row(run.limit.book, self.lot.product, values)}"

    def clock_changed(self, key: str, at: Instant) -> None:
        """A probe's clock started, or waits again: those that take theirs from it are judged anew."""
        takers = [t for t in self.trackers.get(key, {}).values() if not t.own_hot and not t.final]
        if any(t.told or (t.last_at is not None and t.last_at > at) for t in takers):
            self.lot.hub.cross(at)
        self.lend(key)

    def lend(self, key: str) -> None:
        """Give probes that never were hot the earliest start of the others."""
        trackers = self.trackers.get(key, {})
        for tracker in trackers.values():
            if tracker.own_hot or tracker.final or (tracker.told and tracker.closed is not None):
                continue
            others = self._hot_others(key, tracker)
            starts = []
            for other in others:
                hot_at, clock = other.shared()
                start = clock if clock is not None or other.closed is None else hot_at
                starts += [start] if start is not None else []
            known = min(starts, default=None)
            tracker.lend(known, None if others else next(self.lot.runs[key].every()).opened, _unsettled(others))
            if tracker.news:
                self.lot.hear(tracker)

    def _hot_others(self, key: str, tracker: CoolingWatch) -> list[CoolingWatch]:
        return [t for t in self.trackers[key].values() if t is not tracker and t.own_hot]

    def relink(self) -> None:
        """After a restore: let the trackers know each other again."""
        for key, trackers in self.trackers.items():
            for tracker in trackers.values():
                if not tracker.own_hot and not tracker.final:
                    tracker.relink(_unsettled(self._hot_others(key, tracker)))

    def _tell_begin(self, at: Instant, only: CoolingWatch | None = None) -> None:
        """Let every tracker know by when cooling has to begin: counted from the end of the last cook that was left."""
        for key, trackers in self.trackers.items():
            rule = self.lot.runs[key].limit.rule
            if isinstance(rule, Cooling) and rule.begin_within is not None:
                by = None if self.left_lethal is None else self.left_lethal + rule.begin_within
                for tracker in trackers.values():
                    if only is None or tracker is only:
                        tracker.begin(by, at)


def _unsettled(others: list[CoolingWatch]) -> tuple[CoolingWatch, ...]:
    """Those whose clocks may still change."""
    return tuple(t for t in others if not t.sealed)
