"""One probe as the engine sees it: its newest rows, and the watches that it feeds."""

from __future__ import annotations

from typing import Any

from rules.limits.watch import Watch
from rules.plan import Probe
from rules.reading import MINUTE, SECOND, Instant, Reading, Span

BEFORE: Instant = -(1 << 62)
NEVER: Instant = 1 << 62
ANY = (float("-inf"), float("inf"))
AWAKE = float("inf")  # for `calm_low`: no value lies above it
EDGE_C = 1e-6  # a value so near to a bound is looked at whole, whatever rounding does to bound and guard band
ASK_AGAIN: Span = MINUTE  # a watch that had to read the last value mostly has to read the next


class Track:
    """Tuples of watches are replaced, never changed in place: a reading may change them while they are gone through."""

    __slots__ = (
        "at", "bare", "calm_before", "calm_gap", "calm_high", "calm_low", "calm_try",
        "due_at", "eye", "feeds", "good", "high", "low", "max_rate", "meat_at", "plain", "probe", "rest_at", "row",
        "ruled", "slow", "slow_at", "span", "still_at", "timer_at", "u", "watches",
    )  # fmt: skip

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self.u = probe.uncertainty_c or 0.0
        self.span, self.max_rate = probe.span_c, probe.max_rate_c_s
        self.ruled = self.span is not None or self.max_rate is not None
        self.watches: tuple[Watch, ...] = ()  # watches with the probe's guard band
        self.bare: tuple[Watch, ...] = ()  # watches with another guard band than the plan gives the probe now, mostly none
        self.slow: tuple[Watch, ...] = ()  # watches that a reading every SAMPLE is enough for
        self.slow_at: Instant = BEFORE
        self.eye: Any = None  # what keeps its value for the rules across probes, where there are any
        self.low, self.high = ANY  # a value between them needs no question of these rules, before
        self.meat_at: Instant = NEVER
        self.still_at: Instant = NEVER
        self.timer_at: Instant = NEVER  # when something else is due, whatever is read
        self.due_at: Instant = NEVER  # the earliest of these
        # Between these values, before that instant, and not longer than `calm_gap` after the last reading, a reading only moves
        # `last_at` of each watch; from `calm_try` on that is asked for again.
        self.calm_low, self.calm_high = AWAKE, AWAKE
        self.calm_before: Instant = BEFORE
        self.calm_gap: Span = 0
        self.calm_try: Instant = BEFORE
        self.feed()
        self.at: Instant = BEFORE
        self.row: Reading | None = None  # the newest reading; None after a fault
        self.good: Reading | None = None  # the newest good one

    def feed(
        self,
        watches: tuple[Watch, ...] | None = None,
        bare: tuple[Watch, ...] | None = None,
        slow: tuple[Watch, ...] | None = None,
    ) -> None:
        """Feed these from now on; what is not given stays. `feeds`, `rest_at` and `plain` spare the hottest loop its look-ups."""
        self.watches = self.watches if watches is None else watches
        self.bare = self.bare if bare is None else bare
        self.slow = self.slow if slow is None else slow
        seen: tuple[Any, ...] = self.watches if self.eye is None else (self.eye, *self.watches)
        self.feeds = tuple((w.read, w) for w in seen)
        self.rest()
        self.plain = False  # until the engine has told the rooms of the probe's next reading
        self.due()

    def rest(self) -> None:
        """Work out from when on `bare` and `slow` have to be fed."""
        self.rest_at = BEFORE if self.bare else self.slow_at if self.slow else NEVER

    def due(self) -> None:
        """Work out up to when a reading between `low` and `high` meets nothing but the watches it feeds."""
        self.due_at = min(self.timer_at, self.meat_at, self.still_at) if self.plain else BEFORE
        self.calm_low = AWAKE

    def calm_down(self, at: Instant) -> bool:
        """Work out where the readings after the one at `at`, which every watch has read, change nothing; False: nowhere."""
        self.calm_try = at + ASK_AGAIN
        if self.eye is not None:
            return False
        low, high, before, gap = self.low, self.high, self.due_at, NEVER
        for watch in self.watches:
            band = watch.calm() if watch.last_at == at else None
            if band is None:
                return False
            low, high = max(low, band.low + self.u), min(high, band.high - self.u)
            before, gap = min(before, band.before), min(gap, band.gap)
        self.calm_low, self.calm_high = low + EDGE_C, high - EDGE_C
        self.calm_before, self.calm_gap = before, gap
        self.calm_try = BEFORE  # once it is over, the next reading may already tell of new calm
        return True

    def wake(self) -> None:
        """Look at the next reading whole."""
        self.calm_low, self.calm_try = AWAKE, BEFORE

    def look(self, eye: Any, still_at: Instant) -> None:
        """Let an eye of the stuck rule see every good reading; a repeated value is asked about from `still_at` on."""
        self.eye, self.still_at = eye, still_at
        self.feed()
        self.due()

    def add(self, watch: Watch, *, slow: bool) -> None:
        """Feed one more."""
        if slow:
            self.feed(slow=(*self.slow, watch))
        elif watch.u == self.u:
            self.feed(watches=(*self.watches, watch))
        else:
            self.feed(bare=(*self.bare, watch))

    def feeds_to(self, watch: Watch) -> bool:
        """Whether it is fed already."""
        return any(w is watch for w in (*self.watches, *self.bare, *self.slow))

    def drop(self, watch: Watch) -> None:
        """Feed it no more."""
        self.feed(*(tuple(w for w in ws if w is not watch) for ws in (self.watches, self.bare, self.slow)))

    def go_on(self, old: Track) -> None:
        """Take over where the track of the same probe under another plan stood."""
        fed = (*old.watches, *old.bare)
        self.feed(tuple(w for w in fed if w.u == self.u), tuple(w for w in fed if w.u != self.u), old.slow)
        for name in ("slow_at", "at", "row", "good", "low", "high", "meat_at", "still_at", "timer_at"):
            setattr(self, name, getattr(old, name))
        self.rest()
        self.due()

    def within_span(self, r: Reading) -> Reading | None:
        """The row with only the values that the sensor can give; None where it has none, which makes it a fault."""
        low, high = self.span if self.span is not None else (float("-inf"), float("inf"))
        values = [v for v in (r.celsius, r.celsius if r.high_c is None else r.high_c) if low <= v <= high]
        if not values:
            return None
        return r._replace(celsius=values[0], high_c=values[-1] if values[-1] != values[0] else None)

    def doubt(self, at: Instant, celsius: float) -> str:
        """Why this value is not to be believed, or ""."""
        if self.max_rate is not None and self.good is not None:
            seconds = (at - self.good.at) / SECOND
            if abs(celsius - self.good.celsius - self.good.offset_c) > self.max_rate * seconds:
                return "changed faster than this probe can"
        return ""
