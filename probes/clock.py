"""The system's time, for drivers whose source gives none. Drivers take it as a callable, so that tests pass their own."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeAlias

from rules.reading import Instant

Clock: TypeAlias = Callable[[], Instant]


def now() -> Instant:
    """The system's UTC time in microseconds. It may jump; `monitor.intake` is where that is judged."""
    return time.time_ns() // 1000
