"""The outward heartbeat: somebody elsewhere is told that judging goes on, and calls when the word stays away.

It is no timer beside the judging: the loop that judges says after each pass that was committed that it lives, and a beat goes out
only where it said so lately. A service that hangs, a store that is full, judging that has stopped: no beat.
"""

from __future__ import annotations

import json
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from typing import Any, Final
from urllib.parse import urlsplit

from monitor.config import Heartbeat as Settings
from monitor.log import get_logger
from rules.reading import SECOND

log = get_logger(__name__)
#: A pass older than this is no sign of life.
LATELY_S: Final = 60.0
#: One beat may be lost on the way; the second in a row rings.
FAILURES: Final = 2


class Heartbeat:
    """Beats until it is stopped. `alive()` is called by the loop that judges."""

    def __init__(
        self,
        settings: Settings,
        about: Callable[[], Mapping[str, Any]],
        trouble: Callable[[str], None],
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        """`about` gives what a POST carries; `trouble` is told what fails, and "" once a beat gets out again."""
        self._settings, self._about, self._trouble, self._steady = settings, about, trouble, steady
        self._alive_at: float | None = None
        self._failed = 0

    @property
    def where(self) -> str:
        """The other end without what may be secret in its address."""
        parts = urlsplit(self._settings.url.reveal())
        return f"{parts.scheme}://{parts.hostname or ''}"

    def alive(self) -> None:
        """A pass of the judging loop was committed."""
        self._alive_at = self._steady()

    def run(self, stop: threading.Event) -> None:
        """Beat every so often, from soon after the start."""
        pause = min(5.0, self._settings.every / SECOND)
        while not stop.wait(pause):
            pause = self._settings.every / SECOND
            self.beat()

    def beat(self) -> bool:
        """One beat, if judging goes on; whether it got out."""
        if self._alive_at is None or self._steady() - self._alive_at > LATELY_S:
            log.warning("heartbeat", text="not sent: judging has not gone on for a minute")
            return False
        error = self._send()
        if not error:
            if self._failed >= FAILURES:
                self._trouble("")
            self._failed = 0
            return True
        self._failed += 1
        if self._failed == FAILURES:
            self._trouble(error)
        log.warning("heartbeat", text=error)
        return False

    def _send(self) -> str:
        post = self._settings.method == "POST"
        data = json.dumps(self._about()).encode() if post else None
        head = {"User-Agent": "larderer", **({"Content-Type": "application/json"} if post else {})}
        request = urllib.request.Request(self._settings.url.reveal(), data, head, method=self._settings.method)
        try:
            with urllib.request.urlopen(request, timeout=self._settings.timeout / SECOND) as answer:
                answer.read(1024)
        except urllib.error.HTTPError as error:
            with error:
                return f"it answered {error.code} {error.reason}"[:150]
        except (OSError, ValueError) as error:
            reason = getattr(error, "reason", error)
            return f"{reason}"[:150] or type(error).__name__
        return ""
