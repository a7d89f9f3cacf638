"""The service's clock: UTC that never runs backwards."""

from __future__ import annotations

import threading
import time

from rules.reading import Instant


class SystemClock:
    """The system's time; should it be set back, time stands still until it has caught up."""

    def __init__(self) -> None:
        self._last: Instant = 0
        self._lock = threading.Lock()

    def __call__(self) -> Instant:
        """Microseconds since 1970 UTC."""
        with self._lock:
            self._last = max(self._last, time.time_ns() // 1000)
            return self._last
