"""How many requests one address may send: a token bucket for each, so that one phone gone wild does not starve the others."""

from __future__ import annotations

import time
from collections.abc import Callable

#: A page and its files are a dozen requests, an open page asks once in some seconds (our choice).
RATE, BURST = 50.0, 300.0
_MOST_ADDRESSES = 2_000


class Pace:
    """Counts requests by address; `clock` gives seconds that only go forward."""

    def __init__(self, rate: float = RATE, burst: float = BURST, clock: Callable[[], float] = time.monotonic) -> None:
        self._rate, self._burst, self._clock = rate, burst, clock
        self._left: dict[str, tuple[float, float]] = {}

    def wait_s(self, address: str) -> float:
        """Seconds until the next request of this address is taken; 0: this one is, and counts."""
        now = self._clock()
        at, left = self._left.get(address, (now, self._burst))
        left = min(self._burst, left + (now - at) * self._rate)
        if left < 1.0:
            return (1.0 - left) / self._rate
        if len(self._left) >= _MOST_ADDRESSES:  # addresses must not grow the memory: whoever has been quiet long enough is let go
            self._left = {a: (t, n) for a, (t, n) in self._left.items() if n + (now - t) * self._rate < self._burst}
            if len(self._left) >= _MOST_ADDRESSES:
                self._left.clear()
        self._left[address] = (now, left - 1.0)
        return 0.0


def unhindered(path: str, address: str) -> bool:
    """What is never slowed: acknowledging, readings (their queue has its own end), the health check, and this machine itself."""
    return (
        path.startswith(("/a/", "/api/v1/acknowledge/", "/api/v1/readings", "/api/v1/health"))
        or path.endswith("/acknowledge")
        or address in ("", "127.0.0.1", "::1")
    )
