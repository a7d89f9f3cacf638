"""Two days of a gateway's backlog, sixteen probes at one reading a second, absorbed while live readings go on.

The service runs in this process with its own threads; what is measured of live judging is the time from handing over
sixteen readings to their being durable and judged, ten times a second, before the backlog and during it.
`LATE_HOURS` in the environment makes it shorter, to try it out.
"""

from __future__ import annotations

import os
import tempfile
import threading
import time
import warnings
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path

from monitor.config import load_config
from monitor.desk import Hand
from monitor.service import Service
from rules.reading import HOUR, MINUTE, SECOND, Reading
from tests.bench.figures import Figure, percentile
from tests.bench.served import resident_mb
from tests.bench.site import SENDERS, write_site

HOURS = float(os.environ.get("LATE_HOURS", "48"))
#: The backlog against the time that it spans: two days are taken in and judged in so many minutes.
AIM_S = 900.0
#: The slowest live commit during it against the slowest without it.
AIM_RATIO = 20.0
BATCH = 500
OUTSTANDING = 4
QUIET_S = 20.0


class Live:
    """Ten times a second one reading of each probe; how long each took to be durable and judged."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self.seconds: list[float] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(0.1):
            now = self._service.clock()
            begun = time.perf_counter()
            self._service.intake.readings([Reading(f"core-{n}", now, 4.0 + n / 10) for n in range(SENDERS)]).result()
            self.seconds.append(time.perf_counter() - begun)

    def taken(self) -> list[float]:
        """What was measured since the last time."""
        found, self.seconds = self.seconds, []
        return found

    def stop(self) -> None:
        """End the thread."""
        self._stop.set()
        self._thread.join()


def backlog(since: int, until: int) -> Iterator[list[Reading]]:
    """Oldest first: up to the hold in four hours, then down."""
    batch: list[Reading] = []
    for at in range(since, until, SECOND):
        hours = (at - since) / HOUR
        celsius = 15.0 + 13.0 * hours if hours < 4 else 2.0 + 65.0 * 0.5 ** (hours - 4)
        batch += [Reading(f"core-{n}", at, round(celsius + n / 10, 2)) for n in range(SENDERS)]
        if len(batch) >= BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def run(say: Callable[[str], None]) -> list[Figure]:
    """The figures for late readings."""
    with tempfile.TemporaryDirectory() as folder:
        config = load_config(write_site(Path(folder)), check_bells=False)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            service = Service(config, drivers=(), exports=False)
        service.start()
        live: Live | None = None
        try:
            begin = service.clock() - round(HOURS * HOUR) + MINUTE
            hand = Hand("Odile Marsh", "operator")
            service.desk.start_lot(hand, "links", lot="B-1", at=begin)
            for n in range(SENDERS):
                service.desk.place(hand, "B-1", f"core-{n}", at=begin)
            live = Live(service)
            time.sleep(QUIET_S)
            without = live.taken()
            before_mb = resident_mb()
            end = service.clock() - 30 * SECOND
            begun = time.monotonic()
            rows = 0
            waiting: deque[Future[object]] = deque()
            for batch in backlog(begin + SECOND, end):
                rows += len(batch)
                waiting.append(service.intake.readings(batch))  # type: ignore[arg-type]  # a future is invariant
                if len(waiting) >= OUTSTANDING:
                    waiting.popleft().result()
            for future in waiting:
                future.result()
            stored_s = time.monotonic() - begun
            during_store = live.taken()
            say(f"late: {rows:,} rows stored after {stored_s:.0f} s; live p99 {percentile(during_store, 0.99) * 1000:.0f} ms")
            while service.judging.late is not None:
                time.sleep(0.2)
            total_s = time.monotonic() - begun
            during_judging = live.taken()
            after_mb = resident_mb()
        finally:
            if live is not None:
                live.stop()
            service.close()
    during = during_store + during_judging

    def words(found: list[float]) -> str:
        return f"p50 {percentile(found, 0.5) * 1000:.0f}, p99 {percentile(found, 0.99) * 1000:.0f}, worst {max(found) * 1000:.0f} ms"

    say(f"late: live without {words(without)}; while it is stored {words(during_store)}; while it is judged {words(during_judging)}")
    what = f"{HOURS:g} h of backlog, {SENDERS} probes at 1 Hz"
    return [
        Figure(
            f"{what}: from its first batch to its verdicts",
            f"{rows:,} readings stored in {stored_s:.0f} s, all judged {total_s - stored_s:.0f} s later; "
            f"{rows / total_s:,.0f} readings/s; memory {before_mb:.0f} to {after_mb:.0f} MB",
            total_s, AIM_S, "s",
        ),
        Figure(
            f"{what}: the slowest live commit meanwhile against the slowest without it",
            f"without: {words(without)} of {len(without)}; meanwhile: {words(during)} of {len(during)}",
            max(during) / max(without), AIM_RATIO,
        ),
    ]  # fmt: skip
