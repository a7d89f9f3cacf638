"""A process that stores under load until it is killed: run by `test_store_crash.py`.

Arguments: the database, the number of the first batch, and the moment at which it kills itself (0: never).

Every batch is three readings, and one ledger entry with its number in the same transaction. A number is
printed only once its future is done, so what the parent reads was acknowledged.
"""

import os
import signal
import sys
from collections.abc import Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from monitor import ledger
from monitor.intake import Intake, IntakeLimits
from monitor.store import readings, snapshots
from monitor.store.database import Store
from monitor.store.readings import Arrival
from monitor.store.writer import Writer
from rules.reading import SECOND, Reading

T0 = 1_772_456_400 * SECOND
PER_BATCH = 3


class MortalWriter(Writer):
    """A writer that dies, as by `kill -9`, at its n-th moment: after a job, before a commit, after one."""

    moments = 0

    def _moment(self) -> None:
        self.moments -= 1
        if self.moments == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def _attempt(self, conn: Connection, job: Any) -> tuple[bool, Any]:
        done = super()._attempt(conn, job)
        self._moment()
        return done

    def _commit(self, conn: Connection) -> None:
        self._moment()
        super()._commit(conn)
        self._moment()


def batch(number: int) -> list[Reading]:
    """The readings of one batch: their stamps say which."""
    at = T0 + number * SECOND
    return [Reading(f"core-{n}", at + n, number + n / 7) for n in range(PER_BATCH)]


def main(path: str, first: int, moments: int) -> None:
    """Store batch after batch, from `first` on, as fast as the queue lets."""
    with Store(Path(path)) as store, MortalWriter(store) as writer:
        writer.moments = moments

        def process(conn: Connection, arrivals: Sequence[Arrival]) -> None:
            readings.store(conn, arrivals)
            for number in sorted({(arrival.item.at - T0) // SECOND for arrival in arrivals}):
                ledger.append(conn, "finding", {"number": number}, T0 + number * SECOND)
                if number % 16 == 0:
                    ledger.seal(conn, T0 + number * SECOND)
                if number % 40 == 0:
                    snapshots.keep(conn, {"number": number, "filler": "x" * 20_000}, T0 + number * SECOND, "plan", T0)
                    writer.urgent()

        intake = Intake(writer, process, lambda: T0 + 100_000 * SECOND, IntakeLimits(queued=200))
        number = first
        while True:
            future = intake.readings(batch(number), waiting=number % 3 != 0)

            def acknowledged(done: "Future[object]", number: int = number) -> None:
                if done.exception() is None:
                    os.write(1, f"{number}\n".encode())

            future.add_done_callback(acknowledged)
            number += 1


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
