"""Small watches that move a lot rather than judge it: a core held for a time, and a core that falls too soon."""

from __future__ import annotations

from rules.limits.watch import News, Watch
from rules.plan import Advance, Limit
from rules.quantity import at_or_above, at_or_below
from rules.reading import MINUTE, SECOND, Instant, Span

CORE_GAP: Span = 15 * MINUTE
FALL_C = 10.0
FALL_WITHIN: Span = 10 * MINUTE
SAMPLE: Span = 30 * SECOND


class CoreHold(Watch):
    """Says when this core probe has held an advance's condition for its time, and when it no longer does."""

    __slots__ = ("advance", "bound", "held", "run")
    TRANSIENT = Watch.TRANSIENT | {"advance", "bound"}

    def __init__(self, advance: Advance, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        self.u = u
        self.advance = advance
        self.bound = at_or_below(advance.at_most_c) if advance.at_most_c is not None else at_or_above(advance.at_least_c or 0.0)
        self.run: Instant | None = None
        self.held = False

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Carry the run on or break it."""
        good = hi < self.bound if self.advance.at_most_c is not None else lo >= self.bound
        if not good:
            self.run, self.held = None, False
        elif self.run is None or self.last_at is None or at - self.last_at > CORE_GAP:
            self.run, self.held = at, False
        elif at - self.run >= self.advance.length:
            self.held = True
            self.news.append(News(at, "held", ""))
        self.last_at = at
        return self.news

    def finish(self, at: Instant) -> None:
        """Nothing to decide."""


class FallWatch(Watch):
    """Asks once whether the lot was pulled before its hold: the core fell 10 °C within 10 min with lethality open."""

    __slots__ = ("peaks",)
    SLOW = True

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        self.peaks: list[list[float]] = []  # [at, °C], falling: each the highest since the one before it

    def read(self, at: Instant, lo: float, hi: float) -> list[News] | None:
        """Keep the peaks of the last ten minutes; the engine gives it one reading every SAMPLE."""
        if self.final:
            return None
        while self.peaks and self.peaks[-1][1] <= hi:
            self.peaks.pop()
        self.peaks.append([at, hi])
        while self.peaks[0][0] < at - FALL_WITHIN:
            self.peaks.pop(0)
        if self.peaks[0][1] - hi >= FALL_C:
            self.final = True
            self.news.append(
                News(at, "pulled-early", "the core fell fast with its lethality still open: was the lot pulled before its hold?")
            )
        return self.news

    def finish(self, at: Instant) -> None:
        """Nothing to decide."""
