"""Come-up: time between two temperatures while heating, until lethality is met."""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.spec import ComeUp
from rules.limits.watch import News, Watch, seconds
from rules.plan import Limit
from rules.quantity import at_or_above, at_or_below, format_span
from rules.reading import Instant, Span
from rules.remedy import Ask, Remedy
from rules.wording import temperature

BELOW, BETWEEN, HOT = 0, 1, 2


class ComeUpWatch(Watch):
    """Sums the time strictly between `low` and `high`, for certain and as possible."""

    __slots__ = ("certain", "cold_at", "first_warm_at", "heir_at", "low_b", "high_b", "pair_at", "possible", "prev", "within")
    TRANSIENT = Watch.TRANSIENT | {"low_b", "high_b", "within"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, ComeUp)
        self.low_b, self.high_b, self.within = at_or_below(rule.low_c), at_or_above(rule.high_c), rule.within
        self.certain: Span = 0
        self.possible: Span = 0
        self.prev = BELOW
        self.heir_at: Instant | None = None  # it opened with a sum already over; its first reading says so
        self.cold_at: Instant | None = None  # the lot's earliest core reading at or below low, told by the lot
        self.first_warm_at: Instant | None = None
        self.pair_at: Instant | None = None

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Add the interval that ends at this reading; notice the pair of readings at or above `high`."""
        if self.final:
            return None
        if self.heir_at is not None:
            self._deviate(self.heir_at)
            self.heir_at = None
        now = BELOW if hi < self.low_b else HOT if lo >= self.high_b else BETWEEN
        last = self.last_at
        if last is None:
            self._add(self.opened, at, now, now, edge=True)
        else:
            self._add(last, at, self.prev, now, edge=False)
            if now == HOT and self.prev == HOT and at - last <= self.max_gap and self.pair_at is None:
                self.pair_at = last
                self.settle(
                    Verdict.MET, last, f"reached {self._high()} with {format_span(self.certain)} of {format_span(self.within)} used"
                )
        if now != BELOW and self.first_warm_at is None:
            self.first_warm_at = at
        self.prev = now
        self.last_at = at
        return self.news

    def _high(self) -> str:
        rule = self.limit.rule
        assert isinstance(rule, ComeUp)
        return temperature(rule.high_c, self.unit)

    def _add(self, start: Instant, end: Instant, a: int, b: int, *, edge: bool) -> None:
        length = end - start
        if length > self.max_gap:
            if edge or not (a == BETWEEN and b == BETWEEN):
                self.possible += length
                return
        elif a == b and a != BETWEEN:
            return
        before = self.certain
        self.certain += length
        if before <= self.within < self.certain:
            self._deviate(start + self.within - before)

    def _deviate(self, at: Instant) -> None:
        rule = self.limit.rule
        assert isinstance(rule, ComeUp)
        text = f"between {temperature(rule.low_c, self.unit)} and {self._high()} for more than {format_span(self.within)}"
        self.settle(Verdict.DEVIATED, at, text)

    def inherit(self, certain: Span, possible: Span) -> None:
        """Start from sums that earlier watches of the limit had reached."""
        self.certain, self.possible = certain, possible
        if certain > self.within:
            self.heir_at = self.opened

    def lethality_met(self, at: Instant) -> None:
        """The probe's lethality is met: this reading was the last that counts."""
        if not self.final and self.closed is None:
            self._decide(at)
            self.final = True

    def unread(self, closing: Instant) -> None:
        """A stay without a reading counts as possible if it was longer than `max_gap`."""
        self._add(self.opened, closing, BELOW, BELOW, edge=True)

    def undoes_closing(self) -> bool:
        """Sums go on when the step is entered again."""
        return True

    def finish(self, at: Instant) -> None:
        """Count the stretch to the closing, then decide."""
        if self.last_at is None:
            self.unread(at)
        else:
            self._add(self.last_at, at, self.prev, self.prev, edge=True)
        self._decide(at)

    def _decide(self, at: Instant) -> None:
        if self.verdict is Verdict.DEVIATED:
            return
        if self.certain + self.possible > self.within:
            text = f"{format_span(self.certain)} for certain and up to {format_span(self.possible)} more while nothing was measured"
            self.settle(Verdict.UNPROVEN, at, text)
        elif self.pair_at is None:
            self.settle(Verdict.UNPROVEN, at, f"ended before {self._high()} was reached")
        elif self.first_warm_at is not None and (self.cold_at is None or self.cold_at > self.first_warm_at):
            rule = self.limit.rule
            assert isinstance(rule, ComeUp)
            text = f"no core reading at or below {temperature(rule.low_c, self.unit)} before it was above: the time before is unknown"
            self.settle(Verdict.UNPROVEN, at, text)
        elif self.verdict is Verdict.OPEN:
            self.settle(Verdict.MET, self.pair_at, f"reached {self._high()} in time")

    def remedy(self) -> Remedy | None:
        """The time left between the two temperatures; while it runs, by when `high` has to be reached."""
        left = self.within - self.certain - self.possible
        over = self.final or self.closed is not None or self.verdict is Verdict.DEVIATED or self.pair_at is not None
        if over or left < 0 or self.last_at is None:
            return None
        rule = self.limit.rule
        assert isinstance(rule, ComeUp)
        if self.prev == BELOW:
            return Remedy((Ask("spare", rule.high_c, False, left, low_c=rule.low_c),))
        by = self.last_at + left
        return Remedy((Ask("reach", rule.high_c, False, left, by, self.u, twice=True),))

    def margin(self) -> dict[str, float]:
        """Seconds left of what is allowed."""
        return {"seconds": seconds(self.within - self.certain)}

    def evidence(self) -> dict[str, Any]:
        """The time between the two temperatures."""
        return {"certain_s": seconds(self.certain), "possible_s": seconds(self.possible), "within_s": seconds(self.within)}


class FirstCold(Watch):
    """Looks, in every step of the lot, for the first core reading at or below a come-up limit's `low`."""

    __slots__ = ("bound",)
    TRANSIENT = Watch.TRANSIENT | {"bound"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, ComeUp)
        self.bound = at_or_below(rule.low_c)

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Say once that the lot was cold."""
        if hi < self.bound and not self.final:
            self.final = True
            self.news.append(News(at, "cold", ""))
        return self.news

    def finish(self, at: Instant) -> None:
        """Nothing to decide."""
