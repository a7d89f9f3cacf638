"""One probe as the engine sees it: its newest rows, and the watches that it feeds."""

from __future__ import annotations

from rules.limits.watch import Watch
from rules.plan import Probe
from rules.reading import SECOND, Instant, Reading

BEFORE: Instant = -(1 << 62)


class Track:
    """Tuples of watches are replaced, never changed in place: a reading may change them while they are gone through."""

    __slots__ = ("at", "bare", "feeds", "good", "max_rate", "probe", "row", "ruled", "seen", "slow", "slow_at", "span", "u", "watches")

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self.u = probe.uncertainty_c or 0.0
        self.span, self.max_rate = probe.span_c, probe.max_rate_c_s
        self.ruled = self.span is not None or self.max_rate is not None
        self.guard(())
        self.bare: tuple[Watch, ...] = ()  # watches with another guard band than the plan gives the probe now, mostly none
        self.slow: tuple[Watch, ...] = ()  # watches that a reading every SAMPLE is enough for
        self.slow_at: Instant = BEFORE
        self.at: Instant = BEFORE
        self.row: Reading | None = None  # the newest reading; None after a fault
        self.good: Reading | None = None  # the newest good one

    def guard(self, watches: tuple[Watch, ...]) -> None:
        """Feed these with the guard band; `feeds` spares the hottest loop a look-up."""
        self.watches = watches
        self.feeds = tuple((w.read, w) for w in watches)
        self.seen = False

    def drop(self, watch: Watch) -> None:
        """Feed it no more."""
        self.guard(tuple(w for w in self.watches if w is not watch))
        self.bare = tuple(w for w in self.bare if w is not watch)
        self.slow = tuple(w for w in self.slow if w is not watch)

    def go_on(self, old: Track) -> None:
        """Take over where the track of the same probe under another plan stood."""
        fed = (*old.watches, *old.bare)
        self.guard(tuple(w for w in fed if w.u == self.u))
        self.bare = tuple(w for w in fed if w.u != self.u)
        for name in ("slow", "slow_at", "at", "row", "good"):
            setattr(self, name, getattr(old, name))

    def doubt(self, at: Instant, celsius: float) -> str:
        """Why this value is not to be believed, or ""."""
        if self.span is not None and not self.span[0] <= celsius <= self.span[1]:
            return "outside the sensor's span"
        if self.max_rate is not None and self.good is not None:
            seconds = (at - self.good.at) / SECOND
            if abs(celsius - self.good.celsius - self.good.offset_c) > self.max_rate * seconds:
                return "changed faster than this probe can"
        return ""
