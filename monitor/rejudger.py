"""The thread that lets a re-judgement catch up between live commits: small slices, as much rest as work.

It waits until a backlog pauses, or a bounded time, so that what comes in a thousand batches is judged anew once and
not a thousand times. A slice takes its turn in the writer's queue like any batch of readings; what it takes longer
because others were before it is rest for them.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout

from sqlalchemy import Connection

from monitor.errors import StoreClosed
from monitor.judging import Judging
from monitor.log import get_logger

log = get_logger(__name__)


class Rejudger:
    """Runs `catch_up` on the writer while `judging` owes a re-judgement.

    `quiet_s`: nothing late for so long is a pause; `longest_s`: what is late waits no longer for one. `again_s`: a re-judgement
    that a mistake has stopped is tried again after this.
    """

    def __init__(
        self,
        judging: Judging,
        submit: Callable[[Callable[[Connection], bool]], Future[bool]],
        catch_up: Callable[[Connection], bool],
        *,
        quiet_s: float = 2.0,
        longest_s: float = 60.0,
        again_s: float = 60.0,
        look_s: float = 0.25,
    ) -> None:
        self._judging, self._submit, self._catch_up = judging, submit, catch_up
        self._quiet_s, self._longest_s, self._again_s, self._look_s = quiet_s, longest_s, again_s, look_s
        self._heard, self._heard_s = 0, 0.0
        self._owed_s: float | None = None

    def run(self, stop: threading.Event) -> None:
        """Until `stop` is set."""
        rest = self._look_s
        while not stop.wait(rest):
            rest = self._look_s
            if not self._due(time.monotonic()):
                continue
            begun = time.monotonic()
            try:
                more = self._submit(self._catch_up).result(timeout=60.0)
            except StoreClosed:
                return
            except Exception as error:  # noqa: BLE001 - the store is not well, which rings by itself: the re-judgement is owed still
                log.warning("rejudgement", text=f"{'the writer is busy' if isinstance(error, FutureTimeout) else error}")
                continue
            if more:
                rest = max(0.001, time.monotonic() - begun)
            elif self._judging.late is not None:
                rest = self._again_s

    def _due(self, now_s: float) -> bool:
        """Whether something is owed, and the backlog has paused or has been waited for long enough."""
        if self._judging.late is None:
            self._owed_s = None
            return False
        heard = self._judging.late_heard
        if heard != self._heard or self._owed_s is None:
            self._heard, self._heard_s = heard, now_s
        if self._owed_s is None:
            self._owed_s = now_s
        return now_s - self._heard_s >= self._quiet_s or now_s - self._owed_s >= self._longest_s
