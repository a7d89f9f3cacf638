"""Where the cores of one lot are heading: the running fit of each placed probe, and the word that a limit will not be met.

Definition: `docs/judging-choices.md`, 33 to 36. It changes no verdict: it reads the lot's watches and none of them reads it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

from rules.air import PLACES
from rules.finding import Verdict
from rules.forecast import LEAST, Approach, Forecast
from rules.limits.come_up import BETWEEN, ComeUpWatch
from rules.limits.cooling import CoolingWatch
from rules.limits.exposure import ExposureWatch
from rules.limits.lethality import HoldWatch, IntegratedWatch
from rules.limits.spec import ComeUp, Profile
from rules.limits.watch import News, Watch
from rules.plan import Limit, Probe
from rules.quantity import format_span
from rules.reading import MINUTE, SECOND, Instant, Span
from rules.run import Run
from rules.wording import clock, temperature

if TYPE_CHECKING:
    from rules.lot import Lot

PRESSING = ("cooling", "come-up", "exposure")  # these have a deadline
KINDS = ("lethality", *PRESSING)
#: The air is taken as it was this long ago, so that probes whose readings come a little later than the core's make nothing late.
LAG: Span = 2 * MINUTE
#: So often a reading is fitted: enough for cores that take many minutes, and little beside what every reading costs.
EVERY: Span = 30 * SECOND
#: The interval has to lie past the deadline for so long before it rings.
FIRM: Span = 2 * MINUTE
#: The air of an ordinary cooler in °C: common practice, no source.
COOLER_C = 2.0
#: Better surroundings ahead are trusted while they would need no more than this share of the time left.
SHARE_LEFT = 0.5
#: Surroundings colder, or hotter, than these in °C are no advice.
COLDEST_C, HOTTEST_C = -20.0, 150.0

READ = [News(0, "core", "")]  # what a core that was read says: who hears it looks at the watch


class Mark(NamedTuple):
    """What a pending limit of one probe waits for: the core at `to_c` (the probe's uncertainty in it) by `by`, None where nothing presses.

    `hold` is a time to be kept there; `limit_c` is the limit's own temperature; `cause` names the mark within its watch.
    """

    run: Run
    limit: Limit
    cause: str
    limit_c: float
    to_c: float
    cold: bool
    by: Instant | None
    hold: Span = 0


class CoreApproach(Watch):
    """The running fit of one placed core: it takes a reading every EVERY, and its owner adds what surrounds it."""

    __slots__ = ("core_c", "fit", "home", "late", "next_at", "steps", "told")
    TRANSIENT = Watch.TRANSIENT | {"home"}
    SLOW: ClassVar[bool] = True
    LOOKS_ON: ClassVar[bool] = True

    def __init__(self, limit: Limit, probe: str, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, 0.0, unit, opened)
        self.core_c = 0.0
        self.next_at = opened
        self.fit = Approach()
        self.steps: list[str] = []  # where the fitted readings were taken
        self.home: tuple[list[str], list[Probe] | None] | None = None  # of these steps; worked out anew after a restore
        self.late: dict[str, Instant] = {}  # marks that the whole interval is past, since when
        self.told: list[str] = []

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Take note of a reading, and ask for the owner, who knows the air around it."""
        if at < self.next_at:
            return None
        self.next_at = at + EVERY
        self.last_at, self.core_c = at, (lo + hi) / 2.0
        return READ

    def finish(self, at: Instant) -> None:
        """Nothing to decide."""

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        plain = {name: getattr(self, name) for name in self.slots() if name != "fit"}
        return {**plain, "late": dict(self.late), "steps": list(self.steps), "told": list(self.told), "fit": self.fit.state()}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        super().restore({**state, "fit": None})
        self.fit = Approach()
        self.fit.restore(state["fit"])


class LotForecast:
    """The fits of a lot's placed cores, by probe; owner of what they hand on."""

    def __init__(self, lot: Lot) -> None:
        self.lot = lot
        self.watches: dict[str, CoreApproach] = {}
        self._pressing = [key for key, run in lot.runs.items() if run.limit.kind in PRESSING]
        self.limit = next((r.limit for r in lot.runs.values() if r.limit.kind in KINDS and r.limit.place == "core"), None)

    def place(self, probe: Probe, at: Instant) -> None:
        """A core probe goes in: its fit begins."""
        if self.limit is None:
            return
        told = self.watches[probe.id].told if probe.id in self.watches else []
        self.remove(probe.id)
        watch = self.watches[probe.id] = CoreApproach(self.limit, probe.id, self.lot.unit, at)
        watch.told = told
        self.lot.hub.attach(watch, self)

    def remove(self, probe: str) -> None:
        """A core probe comes out; what was told of it stays told."""
        if probe in self.watches:
            self.lot.hub.detach(self.watches[probe])

    def end(self) -> None:
        """The lot is over."""
        for watch in self.watches.values():
            self.lot.hub.detach(watch)

    def hear(self, watch: Watch) -> None:
        """A core was read: fit it, and say what it is heading out of."""
        assert isinstance(watch, CoreApproach)
        at = watch.last_at
        assert at is not None
        lot = self.lot
        if watch.steps != lot.current and at > max(lot.since.values(), default=at):
            watch.steps = list(lot.current)
            watch.fit.begin()
        if watch.home is None or watch.home[0] is not watch.steps:
            watch.home = watch.steps, self._home(watch.steps)
        home = watch.home[1]
        if home is None:
            watch.fit.begin()
            return
        around = lot.hub.around(home, at - LAG) if home else ()
        watch.fit.add(at, watch.core_c, sum(around) / len(around) if around else None)
        marks = self._marks(watch)
        if not marks and not watch.late:
            return  # nobody asks, so that the fit can wait
        if not watch.fit.settled:
            watch.late.clear()
            return
        for mark in marks:
            self._look(watch, mark, at)

    def _home(self, steps: list[str]) -> list[Probe] | None:
        """The fixed probes of the one room of these steps; None where they are not in one room."""
        rooms = {self.lot.step(name).room for name in steps}
        plan = self.lot.plan
        if len(rooms) != 1:
            return None
        return [p for p in plan.probes if p.place in PLACES and (not plan.rooms or p.room in rooms)]

    # --- what is pending -----------------------------------------------------------------------------------------

    def _marks(self, fit: CoreApproach) -> list[Mark]:
        """What the probe's open watches wait for, with a deadline."""
        found: list[Mark] = []
        for key in self._pressing:
            newest = self.lot.runs[key]
            for run in newest.every() if newest.earlier else (newest,):
                watch = run.live.get(fit.probe)
                if watch is None or watch.closed is not None or watch.final or watch.verdict is not Verdict.OPEN:
                    continue
                assert fit.last_at is not None
                found += mark_of(run, watch, fit.last_at)
        return found

    def _look(self, watch: CoreApproach, mark: Mark, at: Instant) -> None:
        """Ring once the whole interval has lain past the deadline for FIRM."""
        if mark.cause in watch.told:
            return
        if mark.by is None or watch.fit.reaches(mark.to_c, mark.by, cold=mark.cold):  # nearly always, and without the interval
            watch.late.pop(mark.cause, None)
            return
        told = watch.fit.forecast(mark.to_c, cold=mark.cold) if at <= mark.by else None
        if told is None or not (told.early is None or told.early > mark.by):
            watch.late.pop(mark.cause, None)
            return
        needed = watch.fit.needed(mark.to_c, mark.by)
        if needed is None or self._better_ahead(watch, mark, at):
            watch.late.pop(mark.cause, None)
            return
        if at - watch.late.setdefault(mark.cause, at) < FIRM:
            return
        watch.told.append(mark.cause)
        del watch.late[mark.cause]
        text = self._sentence(mark, told, needed, at)
        self.lot.says.tell(at, "heading-out", mark.run.key.split("/", 1)[0], mark.limit, watch.probe, text)

    def _better_ahead(self, watch: CoreApproach, mark: Mark, at: Instant) -> bool:
        """Whether the plan itself leads on to surroundings that would still do with time to spare."""
        here = self.lot.step(watch.steps[0])
        if mark.cold:
            after = mark.run.steps.index(here.name) + 1 if here.name in mark.run.steps else 0
            later = (self.lot.product.step(name) for name in mark.run.steps[after:])
            air_c = COOLER_C if any(step is not None and step.room != here.room for step in later) else None
        else:
            stages = [s.set_c for limit in here.limits if isinstance(limit.rule, Profile) for s in limit.rule.stages]
            air_c = max(stages, default=None)
        takes = None if air_c is None else watch.fit.takes(mark.to_c, air_c, cold=mark.cold)
        assert mark.by is not None
        return takes is not None and takes * SECOND <= SHARE_LEFT * (mark.by - at)

    def _sentence(self, mark: Mark, told: Forecast, needed: float, at: Instant) -> str:
        unit, zone = self.lot.unit, self.lot.plan.site.zone
        assert mark.by is not None
        due = f"it must be by {clock(mark.by, zone, at)}, in {format_span(mark.by - at)}"
        means = temperature(needed, unit)
        if needed < COLDEST_C or needed > HOTTEST_C:
            way = "no ordinary surroundings would still make it"
        else:
            way = f"{means} or {'colder' if mark.cold else 'hotter'} around it from now on would still make it"
        return f"{expected_words(mark.limit_c, told, unit, zone, at)}; {due}; {way}"

    # --- what the live page asks ---------------------------------------------------------------------------------

    def view(self) -> list[dict[str, Any]]:
        """What every fit forecasts now, for people: never part of a report.

        `step, limit, kind, probe, cause, to_c, cold, by, hold, read, core_c, air_c, rate` and `at, early, late` (None: never in these
        surroundings); instants and times in microseconds, the rate per second.
        """
        found: list[dict[str, Any]] = []
        for fit in self.watches.values():
            fit.fit.work()
            if fit.probe not in self.lot.placed or self.lot.ended is not None or fit.fit.count < LEAST:
                continue
            for newest in self.lot.runs.values():
                for run in newest.every():
                    watch = run.live.get(fit.probe)
                    if watch is None or watch.closed is not None or watch.final or watch.verdict not in (Verdict.OPEN, Verdict.UNPROVEN):
                        continue
                    found += [line for mark in view_marks(run, watch, fit) if (line := self._line(fit, mark)) is not None]
        return found

    def _line(self, fit: CoreApproach, mark: Mark) -> dict[str, Any] | None:
        told = fit.fit.forecast(mark.to_c, cold=mark.cold)
        if told is None:
            return None
        return {
            "step": mark.run.key.split("/", 1)[0], "limit": mark.limit.name, "kind": mark.limit.kind, "probe": fit.probe,
            "cause": mark.cause, "to_c": mark.limit_c, "cold": mark.cold, "by": mark.by, "hold": mark.hold, "read": fit.fit.at,
            "core_c": told.core_c, "air_c": told.air_c, "rate": told.rate, "at": told.at, "early": told.early, "late": told.late,
        }  # fmt: skip

    # --- snapshot ------------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        return {probe: watch.state() for probe, watch in self.watches.items()}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave; the engine feeds what it fed."""
        for probe, data in state.items():
            assert self.limit is not None
            watch = self.watches[probe] = CoreApproach(self.limit, probe, self.lot.unit, data["opened"])
            watch.restore(data)


def line_words(line: Mapping[str, Any], unit: str, zone: tzinfo, now: Instant) -> str:
    """A line of `LotForecast.view` as a sentence without its full stop: "80 °F expected 13:52 to 14:01; it must be by 14:05"."""
    told = Forecast(line["at"], line["early"], line["late"], line["core_c"], line["air_c"], line["rate"])
    text = expected_words(line["to_c"], told, unit, zone, now)
    if line["hold"] and told.early is not None:
        text += f", then to be held for {format_span(line['hold'])}"
    return text if line["by"] is None else f"{text}; it must be by {clock(line['by'], zone, now)}"


def mark_of(run: Run, watch: Watch, at: Instant) -> list[Mark]:
    """What an open watch waits for by a deadline, as known at the probe's reading at `at`."""
    name, limit, u = f"{run.key}#{run.generation}", run.limit, watch.u
    if isinstance(watch, CoolingWatch):
        if not watch.told or watch.opening is None or watch.opening >= at or watch.borrowed or watch.clock is None or watch.clock == at:
            return []
        for i, window in enumerate(watch.windows):
            if watch.marks[i] is None and (by := watch.deadline(i)) is not None:
                return [Mark(run, limit, f"{name}/{i}", window.to_c, window.to_c - u, True, by)]
        return []
    if isinstance(watch, ComeUpWatch) and isinstance(limit.rule, ComeUp):
        if watch.prev != BETWEEN or watch.last_at is None:
            return []
        high = limit.rule.high_c
        return [Mark(run, limit, f"{name}/high", high, high + u, False, watch.last_at + watch.within - watch.certain)]
    if isinstance(watch, ExposureWatch) and watch.last_at is not None:
        rows = zip(watch.tiers, watch.certain, watch.prev, strict=True)
        return [
            Mark(run, limit, f"{name}/{i}", tier.above_c, tier.above_c - u, True, watch.last_at + tier.within - certain)
            for i, (tier, certain, above) in enumerate(rows)
            if above
        ]
    return []


def view_marks(run: Run, watch: Watch, fit: CoreApproach) -> list[Mark]:
    """What a watch waits for, for people: with a deadline or, of a lethality, the row that would be met first."""
    name, limit, u = f"{run.key}#{run.generation}", run.limit, watch.u
    if isinstance(watch, HoldWatch):
        found: list[tuple[Instant, Mark]] = []
        for i, row in enumerate(watch.rows):
            told = fit.fit.forecast(row.at_c + u, cold=False)
            if told is not None and told.at is not None:
                found.append((told.at + row.length, Mark(run, limit, f"{name}/{i}", row.at_c, row.at_c + u, False, None, row.length)))
        if found:
            return [min(found, key=lambda pair: pair[0])[1]]
        low = watch.rows[0]
        return [] if watch.k else [Mark(run, limit, f"{name}/0", low.at_c, low.at_c + u, False, None, low.length)]
    if isinstance(watch, IntegratedWatch):
        missing = max(round((watch.target - watch.logs) * watch.d_us), 0)
        return [Mark(run, limit, f"{name}/reference", watch.ref, watch.ref + u, False, None, missing)]
    return mark_of(run, watch, fit.last_at or 0)


def expected_words(limit_c: float, told: Forecast, unit: str, zone: tzinfo, now: Instant) -> str:
    """When a mark is expected: "80 °F expected 13:52 to 14:01"; "80 °F is not reached in surroundings of 84.2 °F"."""
    what = temperature(limit_c, unit)
    if told.early is None:
        return f"{what} is not reached in surroundings of {temperature(told.air_c, unit)}"
    if told.at is None or told.late is None:
        return f"{what} expected {clock(told.early, zone, now)} at the earliest"
    return f"{what} expected {clock(told.early, zone, now)} to {clock(told.late, zone, now, up=True)}"
