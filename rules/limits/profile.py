"""Profile: the chamber against the stages of its schedule; which stage, how far off, since when; and a fire that goes out."""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.spec import Profile, Stage
from rules.limits.watch import News, Watch, gap_words
from rules.plan import Limit
from rules.quantity import at_or_above, at_or_below, format_span
from rules.reading import Instant
from rules.wording import difference, temperature

#: What a watch says that was closed before the last stage began.
NOT_RUN = "the schedule was not run"


class Stages:
    """When each stage of one run of the limit began: shared by its watches, moved on by time and by the lot's placed cores.

    `begins` are those of the stages that have begun; `ended` is the end of the last. `newest` holds each core's newest reading.
    """

    def __init__(self, rule: Profile, begin: Instant) -> None:
        self.rule = rule
        self.begins: list[Instant] = [begin]
        self.ended: Instant | None = None
        self.reached: list[str] = []  # in the stage that runs
        self.newest: dict[str, list[float]] = {}

    def stage(self) -> Stage | None:
        """The stage that has begun last; None once the last has ended."""
        return None if self.ended is not None else self.rule.stages[len(self.begins) - 1]

    def advance(self, at: Instant) -> None:
        """Time has come to `at`: stages of a fixed time that have ended by then give way."""
        while (stage := self.stage()) is not None and stage.length is not None and self.begins[-1] + stage.length <= at:
            self._next(self.begins[-1] + stage.length)

    def core(self, probe: str, at: Instant, lo: float, placed: dict[str, Instant]) -> bool:
        """A placed core read `lo`; whether a stage has ended with it."""
        self.advance(at)
        self.newest[probe] = [at, lo]
        moved = False
        while (stage := self.stage()) is not None and stage.until_core_c is not None:
            if at < self.begins[-1]:
                break
            bound = at_or_above(stage.until_core_c)
            # Readings of other cores at this very instant count for a stage that begins with this one.
            for core, (when, value) in self.newest.items():
                if when == at and core in placed and value >= bound and core not in self.reached:
                    self.reached.append(core)
            if not placed or not all(core in self.reached for core in placed):
                break
            self._next(at)
            moved = True
            self.advance(at)
        return moved

    def _next(self, at: Instant) -> None:
        self.reached = []
        if len(self.begins) < len(self.rule.stages):
            self.begins.append(at)
        else:
            self.ended = at

    def at(self, at: Instant) -> int | None:
        """The number of the stage, from 0, to which a reading at `at` belongs; None after the last."""
        if self.ended is not None and at >= self.ended:
            return None
        return next(i for i in range(len(self.begins) - 1, -1, -1) if self.begins[i] <= at or i == 0)

    def certain(self, at: Instant) -> bool:
        """Whether no core reading at `at` can change the stage of a chamber reading at `at`."""
        stage = self.stage()
        return stage is None or stage.until_core_c is None or self.begins[-1] > at

    def last_began(self) -> Instant | None:
        """When the last stage began; None before that."""
        return self.begins[-1] if len(self.begins) == len(self.rule.stages) else None

    def state(self) -> dict[str, Any]:
        """JSON-able values."""
        newest = {k: list(v) for k, v in self.newest.items()}
        return {"begins": list(self.begins), "ended": self.ended, "reached": list(self.reached), "newest": newest}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        self.begins, self.ended = list(state["begins"]), state["ended"]
        self.reached, self.newest = list(state["reached"]), {k: list(v) for k, v in state["newest"].items()}


class CoreStage(Watch):
    """A placed core beside a profile: its readings may end a stage."""

    __slots__ = ("placed", "stages")
    TRANSIENT = Watch.TRANSIENT | {"placed", "stages"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        self.stages: list[Stages] = []
        self.placed: dict[str, Instant] = {}

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Says `stage` where one has ended here: readings of the chamber since then were judged by another."""
        for stages in self.stages:
            if self.probe in self.placed and stages.core(self.probe, at, lo, self.placed):
                self.news.append(News(at, "stage", ""))
        return self.news

    def finish(self, at: Instant) -> None:
        """Nothing to decide."""


class ProfileWatch(Watch):
    """One chamber probe against the stages. A reading in a stage that a core may end waits until its instant has passed."""

    __slots__ = ("armed", "furthest", "off_since", "peaks", "rule", "spare", "stage", "stages", "waiting")
    TRANSIENT = Watch.TRANSIENT | {"rule", "stages"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, Profile)
        self.rule = rule
        self.stages: Stages | None = None
        self.waiting: list[float] = []  # at, lo, hi
        self.stage: int | None = None
        self.off_since: Instant | None = None
        self.furthest = 0.0
        self.spare: float | None = None
        self.armed = True
        self.peaks: list[list[float]] = []  # [at, T + U] in this stage, falling, none older than the fire's time

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Judge the reading now, or once its instant has passed."""
        self.pass_()
        assert self.stages is not None
        self.stages.advance(at)
        self.waiting = [at, lo, hi]
        if self.stages.certain(at):
            self.pass_()
        return self.news

    def pass_(self) -> None:
        """Judge the reading that waits."""
        if self.waiting:
            at, lo, hi = self.waiting
            self.waiting = []
            self._take(int(at), lo, hi)

    def tick(self, now: Instant) -> None:
        """The instant of the reading that waits may have passed."""
        if self.waiting and self.waiting[0] < now:
            self.pass_()

    def settle_up(self, now: Instant) -> None:
        """Every reading up to `now` has been taken."""
        self.pass_()

    def _take(self, at: Instant, lo: float, hi: float) -> None:
        assert self.stages is not None
        self._gap(at, self.opened if self.last_at is None else self.last_at)
        self.last_at = at
        index = self.stages.at(at)
        if index is None:
            self._back(at, "the schedule is over")
            return
        if index != self.stage:
            self.stage, self.peaks = index, []
        stage = self.rule.stages[index]
        low, high = at_or_above(stage.set_c - self.rule.tolerance_c), at_or_below(stage.set_c + self.rule.tolerance_c)
        within = lo >= low and hi < high
        self._fire(at, hi, index, within)
        if at <= self.stages.begins[index] + self.rule.settle:
            self._back(at, f"{self._named(index)} has begun")
            return
        far = max(stage.set_c - lo, hi - stage.set_c)
        spare = self.rule.tolerance_c - far
        self.spare = spare if self.spare is None else min(spare, self.spare)
        if within:
            self._back(at, f"{self._named(index)}: within {difference(self.rule.tolerance_c, self.unit)}")
        else:
            self._off(at, lo, hi, stage, index, far)

    def _off(self, at: Instant, lo: float, hi: float, stage: Stage, index: int, far: float) -> None:
        self.furthest = max(self.furthest, far)
        if self.off_since is not None:
            return
        self.off_since = at
        self.furthest = far
        cold = stage.set_c - lo >= hi - stage.set_c
        measured = (lo if cold else hi) + (self.u if cold else -self.u)
        doubt = "with its uncertainty " if self.u else ""
        text = (
            f"{self._named(index)}: the chamber reads {temperature(measured, self.unit)}, {doubt}{difference(far, self.unit)} "
            f"{'below' if cold else 'above'} its set {temperature(stage.set_c, self.unit)}"
        )
        self.settle(Verdict.DEVIATED, at, text)
        self.news.append(News(at, "off", text))

    def _back(self, at: Instant, why: str) -> None:
        if self.off_since is not None:
            text = f"{why}; it was off for {format_span(at - self.off_since)}, by {difference(self.furthest, self.unit)} at most"
            self.off_since = None
            self.news.append(News(at, "back", text))

    def _fire(self, at: Instant, hi: float, index: int, within: bool) -> None:
        if self.rule.fire_out is None:
            return
        fall, time = self.rule.fire_out
        peaks = self.peaks
        while peaks and peaks[-1][1] <= hi:
            peaks.pop()
        while peaks and peaks[0][0] < at - time:
            peaks.pop(0)
        fell = peaks[0][1] - hi if peaks else 0.0
        falls = round(fell, 3) >= round(fall, 3)
        if falls and self.armed:
            self.armed = False
            took = format_span(at - int(peaks[0][0]))
            text = f"{self._named(index)}: the chamber fell {difference(fell, self.unit)} in {took}: look at the fire, the gas and the door"
            self.news.append(News(at, "fire-out", text))
        elif within and not falls:
            self.armed = True
        peaks.append([at, hi])

    def _named(self, index: int) -> str:
        return f"stage {index + 1} of {len(self.rule.stages)}"

    def _gap(self, at: Instant, since: Instant) -> None:
        """An interval, or an edge stretch, that is too long while a stage runs."""
        assert self.stages is not None
        end = at if self.stages.ended is None else min(at, self.stages.ended)
        if end - since > self.max_gap:
            self.settle(Verdict.UNPROVEN, at, f"{gap_words(end - since)} while the schedule ran")

    def gap_stays(self, closing: Instant) -> bool:
        """A stay without a reading is a gap for good, if it is long enough for one."""
        assert self.stages is not None
        end = closing if self.stages.ended is None else min(closing, self.stages.ended)
        return end - self.opened > self.max_gap

    def reenter(self, at: Instant) -> None:
        """Excursions and falls do not reach across a time in which the limit did not run."""
        super().reenter(at)
        self.off_since, self.peaks, self.waiting = None, [], []

    def close(self, at: Instant, *, withdrawn: bool = False) -> None:
        """Everything up to the closing has been read."""
        if self.closed is None and self.stages is not None:
            self.stages.advance(at)
            self.pass_()
        super().close(at, withdrawn=withdrawn)

    def finish(self, at: Instant) -> None:
        """Was the schedule run to its last stage?"""
        assert self.stages is not None
        self._gap(at, self.opened if self.last_at is None else self.last_at)
        began = self.stages.last_began()
        if began is None or began > at:
            number, of = len(self.stages.begins), len(self.rule.stages)
            self.settle(Verdict.DEVIATED, at, f"closed in stage {number} of {of}: {NOT_RUN}")
        elif self.verdict is Verdict.OPEN:
            self.settle(Verdict.MET, at, f"every reading within {difference(self.rule.tolerance_c, self.unit)} of its stage")

    def margin(self) -> dict[str, float]:
        """How much nearer to leaving the tolerance the worst judged reading was (negative: outside)."""
        return {} if self.spare is None else {"temperature_c": round(self.spare, 3)}

    def evidence(self) -> dict[str, Any]:
        """When each stage began, as far as what this probe has read goes."""
        assert self.stages is not None
        seen = self.closed if self.closed is not None else self.last_at
        begins = [b for b in self.stages.begins if seen is not None and b <= seen]
        shown: dict[str, Any] = {"stages": [{"set_c": s.set_c, "began_at": b} for s, b in zip(self.rule.stages, begins, strict=False)]}
        if self.off_since is not None:
            shown |= {"off_since_at": self.off_since, "furthest_c": round(self.furthest, 3)}
        return shown
