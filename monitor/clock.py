"""The service's clock: UTC that never runs backwards and never stands still."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from rules.reading import Instant, Span


def wall_clock() -> Instant:
    """The system's time, as it is set: microseconds since 1970 UTC."""
    return time.time_ns() // 1000


def steady_clock() -> Span:
    """Microseconds since the machine started; nobody can set it, and sleep counts."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000


def kernel_slew() -> Span:
    """How far the kernel has slewed its clocks since the machine started, against the bare oscillator, which nobody corrects."""
    return (time.clock_gettime_ns(time.CLOCK_MONOTONIC) - time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW)) // 1000


class SystemClock:
    """The system's time; should that be set back, time goes on from where it was, so that alarms still climb and silence is still seen."""

    def __init__(self, wall: Callable[[], Instant] = wall_clock, steady: Callable[[], Span] = steady_clock) -> None:
        self._wall, self._steady = wall, steady
        self._last: Instant = 0
        self._asked: Span = steady()
        self._lock = threading.Lock()

    def __call__(self) -> Instant:
        """Microseconds since 1970 UTC."""
        with self._lock:
            wall, steady = self._wall(), self._steady()
            # Ahead of a clock that was set back it stays until the next start, which notes by how much.
            going_on = self._last + max(0, steady - self._asked) if wall < self._last else wall
            self._last, self._asked = max(wall, going_on), steady
            return self._last
