"""How long the first page and a lot's page take while readings flow at 1,000 a second, held against the same pages in quiet.

Four senders push at a set pace for sixteen probes, 50 readings a request; one browser asks for the pages in turn over a
kept-open connection. Senders and browser share this process, and the machine with the service.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from tests.bench.figures import Figure, percentile
from tests.bench.ingest import body
from tests.bench.served import PERSON, SECRET, child
from tests.bench.site import SENDERS

RATE = 1_000
#: So many senders at once, each with a share of the probes, and so many readings in one of their requests.
GATEWAYS = 4
BATCH = 50
ASKED = 100
PAGES = {"the first page": "/", "a lot's page": "/lots/L", "what renews the first page": "/?part=1"}


class Flow:
    """Pushes at a set pace until it is left; how many readings were answered, and how far behind its pace it fell."""

    def __init__(self, port: int, token: str) -> None:
        self._port, self._token = port, token
        self._stop = threading.Event()
        self._begun = time.monotonic()
        self._threads = [threading.Thread(target=self._run, args=(n,), daemon=True) for n in range(GATEWAYS)]
        self._answered = [0] * GATEWAYS
        self.behind_s = self.seconds = 0.0

    @property
    def answered(self) -> int:
        """Readings answered as durable."""
        return sum(self._answered)

    def __enter__(self) -> Flow:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(30)
        self.seconds = time.monotonic() - self._begun

    def _run(self, gateway: int) -> None:
        headers = {"Authorization": f"Bearer {self._token}", "Content-Type": "application/json"}
        probes = range(gateway, SENDERS, GATEWAYS)
        with httpx.Client(base_url=f"http://127.0.0.1:{self._port}", headers=headers, timeout=30) as http:
            turn = 0
            while not self._stop.is_set():
                sent = self._answered[gateway]
                due = self._begun + sent * GATEWAYS / RATE
                time.sleep(max(0.0, due - time.monotonic()))
                self.behind_s = max(self.behind_s, time.monotonic() - due)
                http.post("/api/v1/readings", content=body(probes[turn % len(probes)], sent, BATCH, time.time())).raise_for_status()
                self._answered[gateway] += BATCH
                turn += 1


def timed(http: httpx.Client, times: int) -> dict[str, list[float]]:
    """Milliseconds of each answer, the pages asked for in turn."""
    took: dict[str, list[float]] = {what: [] for what in PAGES}
    for _ in range(times):
        for what, path in PAGES.items():
            begun = time.perf_counter()
            http.get(path).raise_for_status()
            took[what].append((time.perf_counter() - begun) * 1e3)
    return took


@contextmanager
def browser(port: int) -> Iterator[httpx.Client]:
    """A browser with a person's session."""
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60) as http:
        http.post("/api/v1/session", json={"name": PERSON, "secret": SECRET}).raise_for_status()
        yield http


def run(say: Callable[[str], None]) -> list[Figure]:
    """p50 and p99 of each page, quiet and under load."""
    with tempfile.TemporaryDirectory() as name, child("service", Path(name) / "site") as one, browser(one.said["port"]) as http:
        with Flow(one.said["port"], one.said["token"]):
            timed(http, 10)  # warms up, and gives the lot its curve
        quiet = timed(http, ASKED // 3)
        with Flow(one.said["port"], one.said["token"]) as flow:
            busy = timed(http, ASKED)
    rate = flow.answered / flow.seconds
    say(f"pages: {flow.answered:,} readings in {flow.seconds:.1f} s ({rate:,.0f}/s), at most {flow.behind_s:.2f} s behind")
    figures = []
    for what in PAGES:
        p50, p99 = percentile(busy[what], 0.5), percentile(busy[what], 0.99)
        q50, q99 = percentile(quiet[what], 0.5), percentile(quiet[what], 0.99)
        text = f"p50 {p50:.0f} ms, p99 {p99:.0f} ms with {rate:,.0f} readings/s; quiet p50 {q50:.0f} ms, p99 {q99:.0f} ms"
        figures.append(Figure(f"{what}, {ASKED} times", text, p99, None, "ms"))
    return figures
