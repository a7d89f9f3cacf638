"""One limit over its steps in one lot, or in one room for a day: its watches, and the time no watch covered."""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict, worst
from rules.limits.come_up import ComeUpWatch
from rules.limits.exposure import ExposureWatch
from rules.limits.kinds import new_watch
from rules.limits.watch import Watch
from rules.plan import Limit
from rules.quantity import format_span
from rules.reading import Instant, Span

KIND_SUMS = ("exposure", "come-up")
KIND_COVER = ("ceiling", "floor")


class Run:
    """The watches of one limit. `steps` are the steps it runs over; `generation` counts entries of a repeating step."""

    __slots__ = (
        "bare_since", "broken", "current", "ended", "generation", "key", "limit", "live", "open_count", "opened", "steps",
        "tail", "travelling", "uncovered", "unit", "watches",
    )  # fmt: skip

    def __init__(self, key: str, limit: Limit, steps: tuple[str, ...], unit: str) -> None:
        self.key, self.limit, self.steps, self.unit = key, limit, steps, unit
        self.opened: Instant | None = None
        self.ended: Instant | None = None
        self.current = False
        self.travelling = False
        self.generation = 0
        self.watches: list[Watch] = []
        self.live: dict[str, Watch] = {}
        self.open_count = 0
        self.bare_since: Instant | None = None
        self.uncovered: Span = 0
        self.tail: Span = 0
        self.broken = False

    # --- the run's own life -----------------------------------------------------------------------------------

    def begin(self, at: Instant, *, repeats: bool) -> None:
        """The limit starts to run; of a step entered again, its old watches go on unless the step repeats."""
        if self.opened is not None and repeats:
            self.live = {}
            self.generation += 1
        self.opened = at if self.opened is None else self.opened
        self.ended = None
        self.current = True
        self.travelling = False
        self.tail = 0
        self.bare_since = at if self.open_count == 0 else None

    def end(self, at: Instant) -> None:
        """The limit stops running; the stretch since its last watch is judged."""
        if self.bare_since is not None and at - self.bare_since > self.limit.max_gap:
            self.tail = at - self.bare_since
            self.uncovered += self.tail
        self.bare_since = None
        self.current = self.travelling = False
        self.ended = at

    def open_watch(self, probe: str, u: float, at: Instant) -> Watch:
        """A watch for the probe from `at`: a new one, or the old one going on."""
        watch = self.live.get(probe)
        stretch = self._covered_from(at)
        if watch is not None:
            if watch.before_removal is not None:
                watch.reopen()
            else:
                watch.reenter(at)
        else:
            watch = new_watch(self.limit, probe, u, self.unit, at)
            if self.watches or stretch:
                self._inherit(watch, stretch)
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

    def _covered_from(self, at: Instant) -> Span:
        """The stretch without a watch that ends at `at`, if it was longer than `max_gap`, else 0."""
        if self.open_count or self.bare_since is None:
            return 0
        stretch = at - self.bare_since
        self.bare_since = None
        self.broken = self.broken or bool(self.watches) or stretch > self.limit.max_gap
        if stretch <= self.limit.max_gap:
            return 0
        self.uncovered += stretch
        return stretch

    def _inherit(self, watch: Watch, stretch: Span) -> None:
        """Sums go on from the largest that any watch of the limit had reached, a bare stretch added as possible."""
        if not self.broken:
            return
        same = [w for w in self.watches if self.live.get(w.probe) is w]
        if isinstance(watch, ExposureWatch):
            olds = [w for w in same if isinstance(w, ExposureWatch)]
            certain = [max((w.certain[i] for w in olds), default=0) for i in range(len(watch.tiers))]
            whole = [max((w.certain[i] + w.possible[i] for w in olds), default=0) for i in range(len(watch.tiers))]
            watch.inherit(certain, [w - c + stretch for w, c in zip(whole, certain, strict=True)])
        elif isinstance(watch, ComeUpWatch):
            ups = [w for w in same if isinstance(w, ComeUpWatch)]
            sure = max((w.certain for w in ups), default=0)
            watch.inherit(sure, max((w.certain + w.possible for w in ups), default=0) - sure + stretch)

    # --- verdict ---------------------------------------------------------------------------------------------

    def counted(self, watch: Watch) -> bool:
        """False for a withdrawn watch where enough others are met (`probes = N`)."""
        if not watch.withdrawn or self.limit.probes is None:
            return True
        return sum(w.verdict is Verdict.MET for w in self.watches if w is not watch) < self.limit.probes

    def verdict(self) -> tuple[Verdict, str]:
        """The limit's verdict and, where the watches alone do not give it, why."""
        if not self.watches:
            if self.ended is None:
                return Verdict.OPEN, ""
            return Verdict.UNPROVEN, "no probe served this limit"
        verdict = worst([w.verdict for w in self.watches if self.counted(w)])
        if verdict in (Verdict.MET, Verdict.OPEN) and self.uncovered:
            kind = self.limit.kind
            if kind in KIND_COVER:
                return Verdict.UNPROVEN, f"no probe served this limit for {format_span(self.uncovered)}"
            if kind in KIND_SUMS and self.ended is not None and self.tail and self._over_with_tail():
                return Verdict.UNPROVEN, f"no probe served this limit for the last {format_span(self.tail)}"
        return verdict, ""

    def _over_with_tail(self) -> bool:
        for watch in self.watches:
            if isinstance(watch, ExposureWatch):
                sums = zip(watch.tiers, watch.certain, watch.possible, strict=True)
                if any(c + p + self.tail > t.within for t, c, p in sums):
                    return True
            elif isinstance(watch, ComeUpWatch) and watch.certain + watch.possible + self.tail > watch.within:
                return True
        return False

    # --- snapshot ---------------------------------------------------------------------------------------------

    PLAIN = ("opened", "ended", "current", "travelling", "generation", "open_count", "bare_since", "uncovered", "tail", "broken")

    def state(self) -> dict[str, Any]:
        """The running state as JSON-able values."""
        plain = {name: getattr(self, name) for name in self.PLAIN}
        live = [self.live.get(w.probe) is w for w in self.watches]
        return {**plain, "watches": [w.state() for w in self.watches], "live": live}

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave."""
        for name in self.PLAIN:
            setattr(self, name, state[name])
        for data, live in zip(state["watches"], state["live"], strict=True):
            watch = new_watch(self.limit, data["probe"], data["u"], self.unit, data["opened"])
            watch.restore(data)
            self.watches.append(watch)
            if live:
                self.live[watch.probe] = watch
