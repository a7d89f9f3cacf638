"""One limit over its steps in one lot, or in one room for a day: its watches, and the time no watch covered."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rules.finding import Verdict, worst
from rules.limits.come_up import ComeUpWatch
from rules.limits.degree_hours import DegreeHoursWatch
from rules.limits.exposure import ExposureWatch
from rules.limits.kinds import new_watch
from rules.limits.spec import Humidity
from rules.limits.watch import Watch
from rules.plan import Limit
from rules.quantity import format_span
from rules.reading import Instant, Span

KINDS_OF_SUMS = ("exposure", "come-up")
KINDS_OF_COVER = ("ceiling", "floor")
KINDS_TO_SHOW = ("lethality", "dwell", "cooling")  # a probe taken out of these while short is withdrawn


class Run:
    """The watches of one limit over the steps `steps`.

    A step that repeats and is entered again gets a new Run; `earlier` are those before it. While no watch is
    open, `bare_since` says since when; `bare` is what the pieces of the run before that added. `reached` are the
    largest [certain, certain and possible] sums, tier by tier, known when a watch last opened after such a stretch. Of degree-hours
    the stretches themselves are kept in `blank` as [length, °C known before it]: the first reading after them gives their other end.
    `highest` is the highest temperature that a degree-hours limit has seen (`rules/lot_rows.py`).
    """

    __slots__ = (
        "bare", "bare_since", "blank", "blank_at", "broken", "current", "earlier", "ended", "generation", "highest", "key", "limit", "live",
        "open_count", "opened", "reached", "steps", "travelling", "uncovered", "unit", "watches",
    )  # fmt: skip

    def __init__(self, key: str, limit: Limit, steps: tuple[str, ...], unit: str, earlier: tuple[Run, ...] = ()) -> None:
        self.key, self.limit, self.steps, self.unit = key, limit, steps, unit
        self.earlier = earlier
        self.generation = len(earlier)
        self.opened: Instant | None = None
        self.ended: Instant | None = None
        self.current = False
        self.travelling = False
        self.watches: list[Watch] = []
        self.live: dict[str, Watch] = {}
        self.open_count = 0
        self.bare_since: Instant | None = None
        self.bare: Span = 0
        self.uncovered: Span = 0
        self.broken = False
        self.reached: list[list[Any]] = []  # microseconds, or °C h of degree-hours
        self.blank: list[list[Any]] = []
        self.blank_at: Instant | None = None
        self.highest: float | None = None

    # --- the run's own life -----------------------------------------------------------------------------------

    def again(self) -> Run:
        """A fresh run of the limit: its step repeats and was entered again."""
        return Run(self.key, self.limit, self.steps, self.unit, (*self.earlier, self))

    def begin(self, at: Instant) -> None:
        """The limit starts to run, or runs again: its old watches go on."""
        self.opened = at if self.opened is None else self.opened
        for watch in self.watches if self.limit.kind not in KINDS_TO_SHOW else ():
            if watch.closed is not None and watch.closed < at:
                watch.before_removal = None  # its step was left meanwhile: placed again, it has a new edge
        self.ended = None
        self.current = True
        self.travelling = False
        self.bare_since = at if self.open_count == 0 else None

    def end(self, at: Instant) -> None:
        """The limit stops running."""
        if self.bare_since is not None:
            self.bare += at - self.bare_since
        self.bare_since = None
        self.current = self.travelling = False
        self.ended = at

    def open_watch(self, probe: str, u: float, at: Instant) -> Watch:
        """A watch for the probe from `at`: a new one, or the old one going on."""
        watch = self.live.get(probe)
        self._cover(at)
        if watch is not None:
            if watch.before_removal is not None:
                watch.reopen()
            else:
                watch.reenter(at)
        else:
            watch = new_watch(self.limit, probe, u, self.unit, at)
            if self.broken:
                self._inherit(watch)
            self.adopt(watch)
        self.open_count += 1
        return watch

    def adopt(self, watch: Watch) -> None:
        """Count a watch as this run's."""
        self.live[watch.probe] = watch
        self.watches.append(watch)

    def closed_watch(self, at: Instant) -> None:
        """A watch of this run closed at `at`."""
        self.open_count -= 1
        if self.open_count == 0 and (self.current or self.travelling):
            self.bare_since = at

    # --- time without a watch --------------------------------------------------------------------------------

    def _cover(self, at: Instant) -> None:
        """A watch opens: a stretch without one that was longer than `max_gap` counts, and sums are handed on."""
        if self.open_count:
            return
        stretch = self.bare + (at - self.bare_since if self.bare_since is not None else 0)
        self.bare, self.bare_since = 0, None
        long = stretch > self.limit.max_gap
        if not (self.watches or long):
            return
        self.broken = True
        self.reached = self._largest()
        if long and self.limit.kind == "degree-hours":
            self._leave_blank(at, stretch)
        elif long:
            self.uncovered += stretch
            self.reached = [[sure, total + stretch] for sure, total in self.reached]

    def _leave_blank(self, at: Instant, stretch: Span) -> None:
        """Time without a watch of a sum that needs a temperature: its ends are the readings around it."""
        before = [w for w in self.watches if isinstance(w, DegreeHoursWatch) and w.newest_at is not None]
        if self.blank_at is not None and any(w.heir and not w.blank and w.opened >= self.blank_at for w in before):
            self.blank = []  # a watch has taken it into its sum
        known = max(((w.newest_at or 0, w.newest_hi) for w in before), default=(0, None))[1]
        self.blank, self.blank_at = [*self.blank, [stretch, known]], at

    def _largest(self) -> list[list[Any]]:
        """The largest sums that any watch has reached, tier by tier; empty for kinds without sums."""
        if self.limit.kind not in (*KINDS_OF_SUMS, "degree-hours"):
            return []
        sums: list[list[list[Any]]] = [self.reached] if self.reached else []
        for watch in self.watches:
            if isinstance(watch, ExposureWatch):
                sums.append([[c, c + p] for c, p in zip(watch.certain, watch.possible, strict=True)])
            elif isinstance(watch, ComeUpWatch | DegreeHoursWatch):
                sums.append([[watch.certain, watch.certain + watch.possible]])
        if not sums and self.limit.kind == "degree-hours":
            return [[0.0, 0.0]]
        if not sums:
            return [[0, 0] for _ in self._within()]
        return [[max(s[i][0] for s in sums), max(s[i][1] for s in sums)] for i in range(len(sums[0]))]

    def _within(self) -> list[Span]:
        rule: Any = self.limit.rule
        return [t.within for t in rule.tiers] if self.limit.kind == "exposure" else [rule.within]

    def _inherit(self, watch: Watch) -> None:
        """Sums go on from the largest that any watch of the limit had reached, a bare stretch added as possible."""
        sums = self._largest()
        if isinstance(watch, ExposureWatch):
            watch.inherit([sure for sure, _ in sums], [total - sure for sure, total in sums])
        elif isinstance(watch, ComeUpWatch):
            watch.inherit(sums[0][0], sums[0][1] - sums[0][0])
        elif isinstance(watch, DegreeHoursWatch):
            watch.inherit(sums[0][0], sums[0][1], self.blank, self.reached[0][1])

    # --- verdict ---------------------------------------------------------------------------------------------

    def every(self) -> Iterator[Run]:
        """This run and, before it, those of earlier entries of a repeating step."""
        yield from self.earlier
        yield self

    def all_watches(self) -> list[Watch]:
        """The watches of every entry."""
        return [w for run in self.every() for w in run.watches]

    def counted(self, watch: Watch) -> bool:
        """False for a withdrawn watch where enough others are met (`probes = N`)."""
        short = watch.withdrawn and watch.verdict is Verdict.UNPROVEN and self.limit.kind in KINDS_TO_SHOW
        if not short or self.limit.probes is None:
            return True
        watches = next(run.watches for run in self.every() if any(w is watch for w in run.watches))
        return sum(w.verdict is Verdict.MET for w in watches) < self.limit.probes

    def verdict(self) -> tuple[Verdict, str]:
        """The limit's verdict and, where the watches alone do not give it, why."""
        found = [run.verdict_alone() for run in self.every()]
        verdict = worst([v for v, _ in found])
        return verdict, next(reason for v, reason in found if v is verdict)

    def verdict_alone(self) -> tuple[Verdict, str]:
        """The verdict of this entry alone."""
        if not self.watches:
            if isinstance(self.limit.rule, Humidity) and self.limit.rule.exempt and self.opened is not None:
                return Verdict.MET, f"exempt: {self.limit.rule.exempt_text}"
            if self.ended is None:
                return Verdict.OPEN, ""
            return Verdict.UNPROVEN, "no probe served this limit"
        verdict = worst([w.verdict for w in self.watches if self.counted(w)])
        if verdict not in (Verdict.MET, Verdict.OPEN):
            return verdict, ""
        tail = self.bare if self.ended is not None and self.bare > self.limit.max_gap else 0
        if self.limit.kind in KINDS_OF_COVER and self.uncovered + tail:
            return Verdict.UNPROVEN, f"no probe served this limit for {format_span(self.uncovered + tail)}"
        if tail and self.limit.kind in KINDS_OF_SUMS:
            sums = zip(self._largest(), self._within(), strict=True)
            if any(total + tail > within for (_, total), within in sums):
                return Verdict.UNPROVEN, f"no probe served this limit for the last {format_span(tail)}"
        return verdict, ""

    # --- snapshot ---------------------------------------------------------------------------------------------

    PLAIN = ("opened", "ended", "current", "travelling", "open_count", "bare_since", "bare", "uncovered", "broken", "blank_at", "highest")

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        plain = {name: getattr(self, name) for name in self.PLAIN}
        live = [self.live.get(w.probe) is w for w in self.watches]
        return {
            **plain,
            "reached": [list(pair) for pair in self.reached],
            "blank": [list(piece) for piece in self.blank],
            "watches": [w.state() for w in self.watches],
            "live": live,
            "earlier": [run.state() for run in self.earlier],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        for name in self.PLAIN:
            setattr(self, name, state[name])
        self.reached = [list(pair) for pair in state["reached"]]
        self.blank = [list(piece) for piece in state["blank"]]
        for data, live in zip(state["watches"], state["live"], strict=True):
            watch = new_watch(self.limit, data["probe"], data["u"], self.unit, data["opened"])
            watch.restore(data)
            self.watches.append(watch)
            if live:
                self.live[watch.probe] = watch
        earlier: tuple[Run, ...] = ()
        for data in state["earlier"]:
            run = Run(self.key, self.limit, self.steps, self.unit, earlier)
            run.restore({**data, "earlier": []})
            run.earlier, run.generation = earlier, len(earlier)
            earlier = (*earlier, run)
        self.earlier, self.generation = earlier, len(earlier)
