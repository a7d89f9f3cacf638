"""The two engines of the store, one against the other: batches of readings put away through the one writer, durable.

Both on the same disk, with no judging, which is the same for both; the server is reached over its socket.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from monitor.store import readings
from monitor.store.database import Store
from monitor.store.writer import Writer
from rules.reading import SECOND, Reading
from tests.bench.figures import Figure, percentile
from tests.conftest import Server, programs

T0 = 1_772_456_400 * SECOND
ROUNDS = 5
BATCHES, ROWS = 60, 500
SINGLES = 100


def batch(first: int, rows: int) -> list[readings.Arrival]:
    """Readings of 16 probes, one a millisecond, received at once."""
    items = [Reading(f"core-{n % 16}", T0 + n * 1000, 20.0 + n % 100 / 10) for n in range(first, first + rows)]
    return [readings.Arrival(item, item.at) for item in items]


class Load:
    """One engine's store, filled further with each round."""

    def __init__(self, url: str) -> None:
        self.store = Store(url).open()
        self.writer = Writer(self.store)
        self._next = 0

    def _submit(self, rows: int) -> object:
        arrivals = batch(self._next, rows)
        self._next += rows
        return self.writer.submit(lambda conn: len(readings.store(conn, arrivals)), rows=rows)

    def batched(self) -> float:
        """Readings a second, a group for each batch."""
        begun = time.monotonic()
        for one in [self._submit(ROWS) for _ in range(BATCHES)]:
            one.result()  # type: ignore[attr-defined]
        return BATCHES * ROWS / (time.monotonic() - begun)

    def single(self) -> float:
        """Milliseconds from one reading to its commit, in the middle; in them the writer's pause for others, two commits long at most."""
        took = []
        for _ in range(SINGLES):
            begun = time.monotonic()
            self._submit(1).result()  # type: ignore[attr-defined]
            took.append((time.monotonic() - begun) * 1000)
        return percentile(took, 0.5)

    def close(self) -> None:
        """Stop writing."""
        self.writer.close()
        self.store.close()


def run(say: Callable[[str], None]) -> list[Figure]:
    """PostgreSQL against SQLite, in turn, the best round of each."""
    if programs() is None:
        say("NOT MEASURED: PostgreSQL's server is not installed")
        return []
    with tempfile.TemporaryDirectory() as name:
        os.chmod(name, 0o755)  # the server may run as another user
        server = Server(Path(name))
        try:
            file, served = Load(str(Path(name) / "larderer.sqlite")), Load(server.fresh())
            loads = {"SQLite": file, "PostgreSQL": served}
            rates: dict[str, list[float]] = {engine: [] for engine in loads}
            for n in range(ROUNDS + 1):  # the first round warms up
                for engine, load in loads.items():
                    rates[engine].append(load.batched())
                    say(f"{engine}, {ROWS} a batch, {n}/{ROUNDS}: {rates[engine][-1]:,.0f} readings/s")
            waits = {engine: load.single() for engine, load in loads.items()}
            for load in loads.values():
                load.close()
        finally:
            server.stop()
    ours, theirs = max(rates["PostgreSQL"][1:]), max(rates["SQLite"][1:])
    return [
        Figure(f"durable readings on PostgreSQL, {ROWS} a batch", f"{ours:,.0f} readings/s; SQLite {theirs:,.0f}", theirs / ours),
        Figure(
            "one durable reading on PostgreSQL, from the writer's queue to its commit",
            f"{waits['PostgreSQL']:.1f} ms in the middle; SQLite {waits['SQLite']:.1f} ms",
            waits["PostgreSQL"] / waits["SQLite"],
        ),
    ]
