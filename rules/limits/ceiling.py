"""Ceiling and floor: a value kept below or above a limit, with a forgiven time in each excursion."""

from __future__ import annotations

from typing import Any

from rules.finding import Verdict
from rules.limits.spec import Ceiling, Floor
from rules.limits.watch import News, Watch, gap_words, seconds
from rules.plan import Limit
from rules.quantity import format_span
from rules.reading import Instant, Span
from rules.wording import difference, temperature


class CeilingWatch(Watch):
    """At most `max`; a floor is judged by the same steps on the negated value."""

    __slots__ = ("above", "allowed", "limit_v", "longest", "over", "prev_above", "reset", "sign", "since", "worst_at", "worst_v")
    TRANSIENT = Watch.TRANSIENT | {"above", "allowed", "limit_v", "reset", "sign"}

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        rule = limit.rule
        assert isinstance(rule, Ceiling | Floor)
        self.sign = 1 if isinstance(rule, Ceiling) else -1
        self.limit_v = round(rule.max_c if isinstance(rule, Ceiling) else -rule.min_c, 3)
        self.allowed = rule.allowed
        self.above = self.limit_v + 0.0005
        self.reset = round(self.limit_v - rule.deadband_c, 3) + 0.0005
        self.since: Instant | None = None
        self.over: Span = 0
        self.longest: Span = 0
        self.prev_above = False
        self.worst_v: float | None = None
        self.worst_at: Instant | None = None

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Judge one reading against the limit."""
        v = hi if self.sign > 0 else -lo
        above = v >= self.above
        last = self.last_at
        if above or self.since is not None or last is None or at - last > self.max_gap:
            self._step(at, v, above)
        if self.worst_v is None or v > self.worst_v:
            self.worst_v, self.worst_at = v, at
        self.prev_above = above
        self.last_at = at
        return self.news

    def _step(self, at: Instant, v: float, above: bool) -> None:
        last = self.last_at
        start = self.opened if last is None else last
        both = above and (last is None or self.prev_above)
        gap = at - start > self.max_gap
        if gap and not (both and last is not None):
            self.settle(Verdict.UNPROVEN, at, f"{gap_words(at - start)}, longer than the {format_span(self.max_gap)} monitoring frequency")
        elif above and last is None and at > start and self.since is None:
            self.since, self.over = start, 0
        if self.since is not None and (above or self.prev_above) and not (gap and not (both and last is not None)):
            self._add(start, at)
        if above and self.since is None:
            self.since, self.over = at, 0
        if above and self.allowed == 0:
            self._deviate(at, v)
        if not above and self.since is not None and v < self.reset:
            self.since = None

    def _add(self, start: Instant, end: Instant) -> None:
        before = self.over
        self.over += end - start
        self.longest = max(self.longest, self.over)
        if 0 < self.allowed < self.over:
            self._deviate(start + self.allowed - min(before, self.allowed), None)

    def _deviate(self, at: Instant, v: float | None) -> None:
        side, bound = ("above", "at most") if self.sign > 0 else ("below", "at least")
        limit_c = temperature(self.sign * self.limit_v, self.unit)
        if self.allowed:
            text = f"{side} {limit_c} for longer than the {format_span(self.allowed)} allowed"
        else:
            assert v is not None
            doubt = f", with its uncertainty of {difference(self.u, self.unit)}," if self.u else ""
            text = f"{temperature(self.sign * v - self.sign * self.u, self.unit)}{doubt} where {bound} {limit_c} is the limit"
        self.settle(Verdict.DEVIATED, at, text)

    def suspect(self, at: Instant, celsius: float) -> None:
        """A doubtful value beyond the limit condemns nothing, but keeps the watch from being met."""
        if self.sign * celsius + self.u >= self.above and self.verdict is Verdict.OPEN:
            self.settle(Verdict.UNPROVEN, at, f"a suspect reading of {temperature(celsius, self.unit)} lies beyond the limit")

    def gap_stays(self, closing: Instant) -> bool:
        """A stay without a reading is a gap if it was longer than `max_gap`."""
        return closing - self.opened > self.max_gap

    def reenter(self, at: Instant) -> None:
        """An excursion and its sum go on; the edge is a new one."""
        super().reenter(at)
        self.prev_above = False

    def finish(self, at: Instant) -> None:
        """Count the stretch to the closing with the last reading for both ends."""
        last = self.opened if self.last_at is None else self.last_at
        stretch = at - last
        if stretch > self.max_gap:
            self.settle(Verdict.UNPROVEN, at, f"{gap_words(stretch)} before the end")
        elif self.prev_above and stretch:
            self._add(last, at)
        if self.verdict is Verdict.OPEN:
            self.settle(Verdict.MET, at, f"{'never above' if self.sign > 0 else 'never below'} the limit beyond what is allowed")

    def margin(self) -> dict[str, float]:
        """Degrees between the limit and the worst reading, and the allowed time not used."""
        if self.worst_v is None:
            return {}
        return {"seconds": seconds(self.allowed - self.longest), "temperature_c": round(self.limit_v - self.worst_v, 3) + 0.0}

    def evidence(self) -> dict[str, Any]:
        """The worst reading and the longest time beyond the limit in one excursion."""
        if self.worst_v is None or self.worst_at is None:
            return {}
        worst = self.sign * self.worst_v - self.sign * self.u
        return {"worst_c": round(worst, 3) + 0.0, "worst_at": self.worst_at, "longest_over_s": seconds(self.longest)}
