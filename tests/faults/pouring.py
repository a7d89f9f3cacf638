"""A service's writer that never rests: run by `test_commands_beside.py`.

Arguments: the data folder, the database. It holds the data folder as a service does, and each job asks for the next before its
group is committed, in turn with and without somebody waiting, until standard input is closed. "pouring" is printed once the
first group is durable, and at the end how many groups were.
"""

import fcntl
import itertools
import sys
import threading
from pathlib import Path

from sqlalchemy import Connection

from monitor import ledger
from monitor.store import readings
from monitor.store.database import Store
from monitor.store.writer import Writer
from rules.reading import SECOND, Reading

T0 = 1_772_456_400 * SECOND


def main(data: str, url: str) -> None:
    """Pour until nobody listens any more."""
    ended, numbers = threading.Event(), itertools.count()
    with open(Path(data) / "service.lock", "w", encoding="utf-8") as lock, Store(url) as store, Writer(store) as writer:
        fcntl.flock(lock, fcntl.LOCK_EX)

        def pour(conn: Connection) -> None:
            number = next(numbers)
            at = T0 + number * SECOND // 100
            readings.store(conn, [readings.Arrival(Reading("core-1", at, 3.0 + number % 7 / 50), at)])
            if number % 50 == 0:
                ledger.append(conn, "note", {"number": number}, at)
            if not ended.wait(0.001):
                writer.submit(pour, waiting=number // 500 % 2 == 0)

        writer.submit(pour).result(60)
        sys.stdout.write("pouring\n")
        sys.stdout.flush()
        sys.stdin.read()
        ended.set()
    sys.stdout.write(f"{writer.commits}\n")


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
