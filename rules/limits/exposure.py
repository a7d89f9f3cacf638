"""Exposure: time above each tier's temperature, summed over the whole run."""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.spec import Exposure
from rules.limits.watch import News, Watch, seconds
from rules.plan import Limit
from rules.quantity import at_or_below, format_span
from rules.reading import Instant, Span
from rules.remedy import Ask, Remedy
from rules.wording import temperature


class ExposureWatch(Watch):
    """Sums, tier by tier, the time certainly above and the time possibly above."""

    __slots__ = ("bounds", "certain", "heir_at", "possible", "prev", "tiers")
    TRANSIENT = Watch.TRANSIENT | {"bounds", "tiers"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, Exposure)
        self.tiers = rule.tiers
        self.bounds = [at_or_below(t.above_c) for t in rule.tiers]
        self.certain: list[Span] = [0] * len(rule.tiers)
        self.possible: list[Span] = [0] * len(rule.tiers)
        self.prev: list[bool] = [False] * len(rule.tiers)
        self.heir_at: Instant | None = None  # it opened with a sum already over; its first reading says so

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Add the interval that ends at this reading."""
        now = [hi >= b for b in self.bounds]
        if self.heir_at is not None:
            self._deviate(self.heir_at, next(i for i, t in enumerate(self.tiers) if self.certain[i] > t.within))
            self.heir_at = None
        start = self.opened if self.last_at is None else self.last_at
        self._add(start, at, now if self.last_at is None else self.prev, now, edge=self.last_at is None)
        self.prev = now
        self.last_at = at
        return self.news

    def _add(self, start: Instant, end: Instant, a: list[bool], b: list[bool], *, edge: bool) -> None:
        length = end - start
        gap = length > self.max_gap
        passed: list[tuple[Instant, int]] = []
        for i, tier in enumerate(self.tiers):
            if gap and (edge or not (a[i] and b[i])):
                self.possible[i] += length
            elif a[i] or b[i]:
                before = self.certain[i]
                self.certain[i] += length
                if before <= tier.within < self.certain[i]:
                    passed.append((start + tier.within - before, i))
        if passed:
            at, i = min(passed)
            self._deviate(at, i)

    def _deviate(self, at: Instant, i: int) -> None:
        tier = self.tiers[i]
        text = f"above {temperature(tier.above_c, self.unit)} for more than {format_span(tier.within)} in sum"
        self.settle(Verdict.DEVIATED, at, text)

    def inherit(self, certain: list[Span], possible: list[Span]) -> None:
        """Start from sums that earlier watches of the limit had reached."""
        self.certain, self.possible = list(certain), list(possible)
        if any(c > t.within for c, t in zip(self.certain, self.tiers, strict=True)):
            self.heir_at = self.opened

    def unread(self, closing: Instant) -> None:
        """A stay without a reading counts as possible if it was longer than `max_gap`."""
        nothing = [False] * len(self.tiers)
        self._add(self.opened, closing, nothing, nothing, edge=True)

    def undoes_closing(self) -> bool:
        """Sums go on when the step is entered again."""
        return True

    def finish(self, at: Instant) -> None:
        """Count the stretch to the closing, then decide."""
        if self.last_at is None:
            self.unread(at)
        else:
            self._add(self.last_at, at, self.prev, self.prev, edge=True)
        over = [i for i, t in enumerate(self.tiers) if self.certain[i] + self.possible[i] > t.within]
        if self.verdict is Verdict.DEVIATED:
            return
        if over:
            tier = self.tiers[over[0]]
            known, maybe = format_span(self.certain[over[0]]), format_span(self.possible[over[0]])
            text = f"above {temperature(tier.above_c, self.unit)} for {known} for certain and up to {maybe} more while nothing was measured"
            self.settle(Verdict.UNPROVEN, at, text)
        else:
            self.settle(Verdict.MET, at, "time above within every tier")

    def remedy(self) -> Remedy | None:
        """The time left in each tier that is running, or else in the one with the least; while it runs, by when to be back."""
        if self.closed is not None or self.verdict is Verdict.DEVIATED or self.last_at is None:
            return None
        left = [t.within - c - p for t, c, p in zip(self.tiers, self.certain, self.possible, strict=True)]
        if min(left) < 0:
            return None
        running = [
            Ask("reach", t.above_c, True, spare, self.last_at + spare, self.u)
            for t, spare, above in zip(self.tiers, left, self.prev, strict=True)
            if above
        ]
        if running:
            return Remedy(tuple(sorted(running, key=lambda a: a.span)), True)
        spare, i = min((spare, i) for i, spare in enumerate(left))
        return Remedy((Ask("spare", self.tiers[i].above_c, True, spare),), True)

    def margin(self) -> dict[str, float]:
        """Seconds left in the tightest tier, for certain time alone."""
        return {"seconds": seconds(min(t.within - c for t, c in zip(self.tiers, self.certain, strict=True)))}

    def evidence(self) -> dict[str, Any]:
        """The sums of each tier."""
        return {
            "tiers": [
                {"above_c": round(t.above_c, 3), "within_s": seconds(t.within), "certain_s": seconds(c), "possible_s": seconds(p)}
                for t, c, p in zip(self.tiers, self.certain, self.possible, strict=True)
            ]
        }
