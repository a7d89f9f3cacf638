"""Lethality: a temperature held for its published time (hold), or the integral of the lethal rate (integrated)."""

from __future__ import annotations

import math
import operator
from bisect import bisect_right
from typing import Any

from rules.finding import Verdict
from rules.limits.spec import HoldLethality, IntegratedLethality
from rules.limits.watch import Calm, News, Watch, seconds
from rules.plan import Limit
from rules.quantity import at_or_above, at_or_below, format_span
from rules.reading import Instant, Span
from rules.remedy import Ask, Remedy, whole_seconds
from rules.wording import temperature

NEVER: Instant = 1 << 62
FALL_C = 2.0  # this far below the lowest row after the step's end, the cook is over (judging.md section 5)


class LethalityWatch(Watch):
    """What hold and integrated share: open beyond the step, until the core falls or the lot ends."""

    __slots__ = ("fallen", "left_at")
    TRANSIENT = Watch.TRANSIENT | {"fallen"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant, lowest_c: float) -> None:
        super().__init__(limit, probe, u, unit, opened)
        self.fallen = at_or_below(lowest_c - FALL_C)
        self.left_at: Instant | None = None

    def leave(self, at: Instant) -> None:
        """The step has ended; what is short may still be met while the core stays hot."""
        if self.final or self.closed is not None or self.left_at is not None:
            return
        self.left_at = at
        self.news.append(News(at, "left-short", "the step ended before lethality was met"))

    def enter(self) -> None:
        """The step was entered again: the old watch goes on."""
        self.left_at = None

    def resumes(self) -> bool:
        """What was held is credit."""
        return True

    def short(self) -> str:
        """What was shown and what was needed."""
        raise AssertionError("each method has its own words")

    def unread(self, closing: Instant) -> None:
        """Taken out after its step's end, it is short rather than withdrawn."""
        self.withdrawn = self.withdrawn and self.left_at is None

    def unread_at(self, closing: Instant) -> Instant:
        """Like a deviation: at the step's end."""
        return closing if self.left_at is None else self.left_at

    def finish(self, at: Instant) -> None:
        """Lethality must be shown: not shown is deviated, dated at the step's end."""
        if self.withdrawn and self.left_at is None:
            self.settle(Verdict.UNPROVEN, at, f"withdrawn while short: {self.short()}")
        else:
            self.withdrawn = False
            self.settle(Verdict.DEVIATED, at if self.left_at is None else self.left_at, self.short())

    def _met(self, at: Instant, text: str) -> None:
        self.settle(Verdict.MET, at, text)
        self.final = True

    def _fell(self, lo: float) -> None:
        if self.left_at is not None and lo < self.fallen:
            self.settle(Verdict.DEVIATED, self.left_at, self.short())
            self.final = True


class HoldWatch(LethalityWatch):
    """Any one row of the table, unbroken from the run's first reading to this one.

    `k` rows are being held now, and `runs[i]` is when row i's run began; since `band_from` no row was reached or
    lost. The earliest instant at which one of them completes is kept in `due`, so that a reading that changes
    no row costs a few comparisons.
    """

    __slots__ = ("band_from", "bands", "bounds", "due", "high_b", "k", "lengths", "low_b", "met_row", "rows", "runs")
    TRANSIENT = LethalityWatch.TRANSIENT | {"bounds", "high_b", "lengths", "low_b", "rows"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        rule = limit.rule
        assert isinstance(rule, HoldLethality)
        super().__init__(limit, probe, u, unit, opened, rule.rows[0].at_c)
        self.rows = rule.rows
        self.lengths = [r.length for r in rule.rows]
        self.bounds = [at_or_above(r.at_c) for r in rule.rows]
        self.runs: list[Instant] = [0] * len(rule.rows)
        self.bands: list[Span] = [0] * (len(rule.rows) + 1)  # bands[m]: time with exactly the m lowest rows satisfied at both ends
        self.band_from: Instant = opened
        self.due: Instant = NEVER
        self.k = 0
        self.met_row: int | None = None
        self._bracket()

    def _bracket(self) -> None:
        """Between which values a reading changes no row; none where every reading has to be looked at."""
        if self.last_at is None or self.left_at is not None:
            self.low_b, self.high_b = float("inf"), float("-inf")
        else:
            self.low_b = self.bounds[self.k - 1] if self.k else float("-inf")
            self.high_b = self.bounds[self.k] if self.k < len(self.bounds) else float("inf")

    def leave(self, at: Instant) -> None:
        """From now on a fall ends it, so that every reading counts."""
        super().leave(at)
        self._bracket()

    def enter(self) -> None:
        """The step was entered again: the old watch goes on."""
        super().enter()
        self._bracket()

    def reenter(self, at: Instant) -> None:
        """Nothing of before reaches into the new stay."""
        self._bank()
        super().reenter(at)
        self._bracket()

    def restore(self, state: dict[str, Any]) -> None:
        """Take back what `state` gave, and the bracket that follows from it."""
        super().restore(state)
        self._bracket()

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Carry the runs on, or start and break them."""
        last = self.last_at
        self.last_at = at
        if self.low_b <= lo < self.high_b and at < self.due and at - last <= self.max_gap:  # type: ignore[operator]  # not before a reading
            return None
        if not self.final:
            self._change(at, lo, last)
            if self.left_at is not None and not self.final:
                self._fell(lo)
        return self.news

    def calm(self) -> Calm | None:
        """While no row is reached, lost or completed; for good, once it is final."""
        if self.final and not self.news:
            return Calm(float("-inf"), float("inf"), NEVER, NEVER)
        return None if self.last_at is None or self.left_at is not None else Calm(self.low_b, self.high_b, self.due, self.max_gap)

    def _bank(self) -> None:
        """Book the time since the last change of rows."""
        if self.last_at is not None and self.k:
            self.bands[self.k] += self.last_at - self.band_from
            self.band_from = self.last_at

    def _change(self, at: Instant, lo: float, last: Instant | None) -> None:
        gap = last is None or at - last > self.max_gap
        if last is not None:
            self.bands[self.k] += last - self.band_from
        before, self.k = self.k, bisect_right(self.bounds, lo)
        kept = 0 if gap else min(before, self.k)
        if last is not None:
            self.bands[kept] += at - last
        self.band_from = at
        for i in range(kept, self.k):
            self.runs[i] = at
        self._bracket()
        ends = list(map(operator.add, self.runs[: self.k], self.lengths))
        self.due = min(ends, default=NEVER)
        if self.due <= at and min(ends[:kept], default=NEVER) <= at:
            self._complete(at)

    def _complete(self, at: Instant) -> None:
        i = max((i for i in range(self.k) if self.runs[i] < at and at >= self.runs[i] + self.rows[i].length), default=None)
        if i is None:  # a row of 0 s needs two successive readings, and this is still the first instant
            return
        self.met_row = i
        row = self.rows[i]
        need = format_span(row.length) if row.length else "two readings in a row"
        self._met(at, f"held at or above {temperature(row.at_c, self.unit)} for {format_span(at - self.runs[i])}; the row asks {need}")

    def resume(self) -> None:
        """Every run starts again after an absence."""
        self._bank()
        self.k, self.due = 0, NEVER
        self._bracket()

    def remedy(self) -> Remedy | None:
        """The running row with the least time missing, or else the lowest; and the hottest row where that is shorter."""
        if self.final or (self.closed is not None and not self.withdrawn):
            return None
        if self.k and self.last_at is not None and self.closed is None:
            missing, i = min((max(self.runs[i] + self.rows[i].length - self.last_at, 0), i) for i in range(self.k))
            first = Ask("hold", self.rows[i].at_c, False, missing, u=self.u)
        else:
            first, i = Ask("hold", self.rows[0].at_c, False, self.rows[0].length, u=self.u), 0
        last = self.rows[-1]
        if len(self.rows) - 1 > i and last.length < first.span:
            return Remedy((first, Ask("hold", last.at_c, False, last.length, u=self.u)), again=self.withdrawn)
        return Remedy((first,), again=self.withdrawn)

    def short(self) -> str:
        """The row that came nearest, by summed time."""
        sums = self._sums()
        shares = [(s / r.length if r.length else 0.0, i) for i, (s, r) in enumerate(zip(sums, self.rows, strict=True)) if s]
        if not shares:
            return f"never at or above {temperature(self.rows[0].at_c, self.unit)}, the lowest row"
        _, i = max(shares)
        row = self.rows[i]
        return (
            f"no row held: at or above {temperature(row.at_c, self.unit)} for {format_span(sums[i])} in sum, "
            f"where the row asks {format_span(row.length)} unbroken"
        )

    def _sums(self) -> list[Span]:
        running = self.last_at - self.band_from if self.last_at is not None and self.k else 0
        total, sums = 0, []
        for i in range(len(self.rows) - 1, -1, -1):
            total += self.bands[i + 1] + (running if i + 1 == self.k else 0)
            sums.append(total)
        return sums[::-1]

    def margin(self) -> dict[str, float]:
        """Seconds held beyond the met row's need; else the least time missing among the rows held now."""
        if self.met_row is not None and self.at is not None:
            return {"seconds": seconds(self.at - self.runs[self.met_row] - self.rows[self.met_row].length)}
        if self.k and self.last_at is not None:
            return {"seconds": seconds(max(self.last_at - self.runs[i] - self.rows[i].length for i in range(self.k)))}
        return {"seconds": seconds(-min(r.length for r in self.rows))}

    def evidence(self) -> dict[str, Any]:
        """The row met, and the summed time at or above each row (for the person who evaluates a missed one)."""
        sums = self._sums()
        facts: dict[str, Any] = {
            "rows": [
                {"at_c": round(r.at_c, 3), "needed_s": seconds(r.length), "summed_s": seconds(s)}
                for r, s in zip(self.rows, sums, strict=True)
            ]
        }
        if self.met_row is not None:
            facts["met_row"] = {"at_c": round(self.rows[self.met_row].at_c, 3), "needed_s": seconds(self.rows[self.met_row].length)}
        return facts


class IntegratedWatch(LethalityWatch):
    """The sum of the lethal rate over intervals that are no gap, each at the lower of its two ends."""

    __slots__ = ("d_us", "floor_b", "logs", "prev", "ref", "target", "z")
    TRANSIENT = LethalityWatch.TRANSIENT | {"d_us", "floor_b", "ref", "target", "z"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        rule = limit.rule
        assert isinstance(rule, IntegratedLethality)
        super().__init__(limit, probe, u, unit, opened, rule.floor_c)
        self.ref, self.z, self.d_us, self.target = rule.reference_c, rule.z_value_c, rule.d_value, rule.target_log
        self.floor_b = at_or_above(rule.floor_c)
        self.logs = 0.0
        self.prev: float | None = None

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Add the interval that ends at this reading."""
        last, prev = self.last_at, self.prev
        if last is not None and prev is not None and not self.final and at - last <= self.max_gap:
            lower = min(prev, lo)
            if lower >= self.floor_b:
                self.logs += 10.0 ** ((lower - self.ref) / self.z) * (at - last) / self.d_us
                if self.logs >= self.target:
                    self._met(at, f"{self.logs:.2f} log10 summed, {self.target:g} needed")
        self.prev = lo
        self.last_at = at
        if self.left_at is not None and not self.final:
            self._fell(lo)
        return self.news

    def resume(self) -> None:
        """Credit starts again after an absence."""
        self.logs, self.prev = 0.0, None

    def remedy(self) -> Remedy | None:
        """How long at the reference temperature is missing."""
        if self.final or (self.closed is not None and not self.withdrawn):
            return None
        rule = self.limit.rule
        assert isinstance(rule, IntegratedLethality)
        at_c = max(self.ref, rule.floor_c)
        logs = 0.0 if self.closed is not None else self.logs  # placed again, its credit starts again
        missing = (self.target - logs) * self.d_us * 10.0 ** ((self.ref - at_c) / self.z)
        return Remedy((Ask("hold", at_c, False, whole_seconds(math.ceil(missing)), u=self.u),), again=self.withdrawn)

    def short(self) -> str:
        """The sum so far."""
        return f"{self.logs:.2f} log10 summed, {self.target:g} needed"

    def margin(self) -> dict[str, float]:
        """Log10 beyond the target, and the same as seconds at the reference temperature."""
        return {"log10": round(self.logs - self.target, 6), "seconds": seconds(round((self.logs - self.target) * self.d_us))}

    def evidence(self) -> dict[str, Any]:
        """The sum and who validated the method."""
        rule = self.limit.rule
        assert isinstance(rule, IntegratedLethality)
        return {"log10": round(self.logs, 6), "target_log10": self.target, "validated_by": rule.validated_by}
