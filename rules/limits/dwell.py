"""Dwell: a time that must be shown at or below (or at or above) a temperature."""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.spec import Dwell
from rules.limits.watch import News, Watch, seconds
from rules.plan import Limit
from rules.quantity import at_or_above, at_or_below, format_span
from rules.reading import Instant, Span
from rules.remedy import Ask, Remedy
from rules.wording import temperature


class DwellWatch(Watch):
    """Credits an interval only if both its ends satisfy the bound and it is no gap."""

    __slots__ = ("bound", "contiguous", "cold", "credit", "length", "prev_good")
    TRANSIENT = Watch.TRANSIENT | {"bound", "contiguous", "cold", "length"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, Dwell)
        self.cold = rule.max_c is not None
        self.bound = at_or_below(rule.max_c) if rule.max_c is not None else at_or_above(rule.min_c or 0.0)
        self.length, self.contiguous = rule.length, rule.contiguous
        self.credit: Span = 0
        self.prev_good = False

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Credit the interval that ends at this reading, if it counts."""
        good = hi < self.bound if self.cold else lo >= self.bound
        last = self.last_at
        if last is not None and not self.final:
            if good and self.prev_good and at - last <= self.max_gap:
                self.credit += at - last
                if self.credit >= self.length:
                    self.settle(Verdict.MET, at, f"held for {format_span(self.credit)}, {format_span(self.length)} needed")
                    self.final = True
            elif self.contiguous:
                self.credit = 0
        self.prev_good = good
        self.last_at = at
        return self.news

    def resumes(self) -> bool:
        """Time shown is credit."""
        return True

    def resume(self) -> None:
        """Credit starts again after an absence."""
        self.credit, self.prev_good = 0, False

    def finish(self, at: Instant) -> None:
        """What was not shown by the closing was not held."""
        rule = self.limit.rule
        assert isinstance(rule, Dwell)
        side = (
            f"at or below {temperature(rule.max_c, self.unit)}"
            if rule.max_c is not None
            else f"at or above {temperature(rule.min_c or 0, self.unit)}"
        )
        short = f"{format_span(self.credit)} shown {side}, {format_span(self.length)} needed"
        if self.withdrawn:
            self.settle(Verdict.UNPROVEN, at, f"withdrawn while short: {short}")
        else:
            self.settle(Verdict.DEVIATED, at, short)

    def remedy(self) -> Remedy | None:
        """The time missing."""
        if self.final or (self.closed is not None and not self.withdrawn):
            return None
        rule = self.limit.rule
        assert isinstance(rule, Dwell)
        at_c = rule.max_c if rule.max_c is not None else rule.min_c or 0.0
        credit = 0 if self.closed is not None else self.credit  # placed again, its credit starts again
        return Remedy((Ask("hold", at_c, self.cold, self.length - credit, u=self.u),), again=self.withdrawn)

    def margin(self) -> dict[str, float]:
        """Seconds beyond the need."""
        return {"seconds": seconds(self.credit - self.length)}

    def evidence(self) -> dict[str, Any]:
        """The time shown."""
        return {"shown_s": seconds(self.credit), "needed_s": seconds(self.length)}
