"""A full disk, an I/O error, a read-only disk, a lock, a file or a server that is gone: one body for all of them."""

import os
import resource
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, event

from monitor import ledger
from monitor.errors import StoreError, StoreFailed, StoreFull, StoreLocked, StoreReadOnly, StoreUnavailable
from monitor.intake import Intake, IntakeLimits
from monitor.store import plans, readings
from monitor.store.database import Store
from monitor.store.readings import Arrival
from monitor.store.writer import Writer
from rules.reading import SECOND, Reading
from tests.faults.small_disk import filled
from tests.waiting import until

T0 = 1_772_456_400 * SECOND
WAIT_S = 30


@contextmanager
def pragma_on_every_connection(store: Store, writer: Writer, pragma: str) -> Iterator[None]:
    """Put a pragma on the writer's connection now, and on those it will open."""

    def connected(connection: Any, _record: Any) -> None:
        connection.execute(pragma)

    event.listen(store.write_engine, "connect", connected)
    writer.submit(lambda conn: conn.exec_driver_sql(pragma).close()).result(WAIT_S)
    try:
        yield
    finally:
        event.remove(store.write_engine, "connect", connected)


@contextmanager
def full(store: Store, writer: Writer) -> Iterator[None]:
    """No page may be added to the database (SQLITE_FULL, as a full disk gives)."""
    with store.read() as conn:
        pages = conn.exec_driver_sql("PRAGMA page_count").scalar_one()
    with pragma_on_every_connection(store, writer, f"PRAGMA max_page_count={pages}"):
        yield


@contextmanager
def full_disk(store: Store, _writer: Writer) -> Iterator[None]:
    """No byte is left on the file system that holds the database, its log and its index."""
    with filled(store.path.parent):
        yield


@contextmanager
def read_only(store: Store, writer: Writer) -> Iterator[None]:
    """Every write is refused (SQLITE_READONLY, as a disk mounted read-only gives)."""
    with pragma_on_every_connection(store, writer, "PRAGMA query_only=ON"):
        yield


@contextmanager
def io_error(store: Store, _writer: Writer) -> Iterator[None]:
    """The system refuses to let the log grow: a write fails in the middle of a commit."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (store.wal_bytes() + 30_000, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@contextmanager
def locked(store: Store, _writer: Writer) -> Iterator[None]:
    """Another program holds the database's write lock."""
    with closing(sqlite3.connect(store.path, isolation_level=None, timeout=10)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


@contextmanager
def gone(store: Store, _writer: Writer) -> Iterator[None]:
    """The file has been moved away."""
    aside = store.path.with_name("aside")
    os.rename(store.path, aside)
    yield
    os.rename(aside, store.path)


@pytest.fixture
def server(engine: str, request: pytest.FixtureRequest) -> Any:
    """The server, where there is one."""
    return None if engine == "sqlite" else request.getfixturevalue("postgresql")


def end_connections(server: Any) -> None:
    """Have the server end the connections of the store, so that it opens new ones."""
    server.sql("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'larderer'")


@contextmanager
def server_read_only(store: Store, _writer: Writer, server: Any) -> Iterator[None]:
    """The server takes no writes (25006), as one that has become a follower."""
    name = store.where.rsplit("/", 1)[1]
    server.sql(f"ALTER DATABASE {name} SET default_transaction_read_only = on")
    end_connections(server)
    yield
    server.sql(f"ALTER DATABASE {name} RESET default_transaction_read_only")
    end_connections(server)


@contextmanager
def server_locked(store: Store, _writer: Writer, _server: Any) -> Iterator[None]:
    """Another transaction is writing and does not end."""
    with store.write():
        yield


@contextmanager
def server_gone(_store: Store, _writer: Writer, server: Any) -> Iterator[None]:
    """Every process of the server is killed; it comes back after a while."""
    server.kill()
    yield
    server.start()


TROUBLES = [
    ("sqlite", full, StoreFull, "is full"),
    ("sqlite", read_only, StoreReadOnly, "cannot be written"),
    ("sqlite", io_error, StoreFailed | StoreFull, "the disk of"),
    ("sqlite", locked, StoreLocked, "held by another program"),
    ("sqlite", gone, StoreFailed, "is gone"),
    ("postgresql", server_read_only, StoreReadOnly | StoreFailed, "cannot be "),
    ("postgresql", server_locked, StoreLocked, "held by another program"),
    ("postgresql", server_gone, StoreFailed, "cannot be reached"),
]


@pytest.mark.parametrize(
    ("engine", "trouble", "kind", "sentence"), TROUBLES, ids=[trouble.__name__ for _, trouble, _, _ in TROUBLES], indirect=["engine"]
)
def test_trouble_loses_nothing_and_ends_with_its_cause(
    database: str, server: Any, trouble: Callable[..., AbstractContextManager[None]], kind: type[StoreError], sentence: str
) -> None:
    """Nothing is acknowledged while it lasts, it is told, readers go on, and all that waited is stored in order afterwards."""
    endure(database, server, trouble, kind, sentence)


def test_disk_without_a_byte_left_loses_nothing_and_recovers_with_room(small_disk: Path) -> None:
    """The same on a real file system that is really full, twice over."""
    for name in ("first.sqlite", "second.sqlite"):
        endure(str(small_disk / name), None, full_disk, StoreFull, "is full")


def endure(database: str, server: Any, trouble: Callable[..., AbstractContextManager[None]], kind: type[StoreError], sentence: str) -> None:
    """The body of all of them."""
    memory: list[int] = []  # what a judge keeps in memory: it must always be what the store holds
    told: list[StoreError | None] = []

    with Store(database, busy_timeout_s=0.1) as store:

        def stored_numbers() -> list[int]:
            with store.read() as conn:
                return [(found.item.at - T0) // SECOND for found in readings.between(conn, 0, 2**62)]

        def reread() -> None:
            if not store.on_file or store.path.exists():
                memory[:] = stored_numbers()

        def process(conn: Connection, arrivals: Sequence[Arrival]) -> None:
            readings.store(conn, arrivals)
            for arrival in arrivals:
                number = (arrival.item.at - T0) // SECOND
                memory.append(number)
                ledger.append(conn, "finding", {"number": number, "filler": "x" * 2000}, arrival.item.at)

        with Writer(store, reread) as writer:
            limits = IntakeLimits(retry_s=(0.02, 0.05))
            intake = Intake(writer, process, lambda: T0 + 100_000 * SECOND, limits, on_trouble=told.append)

            def send(number: int) -> Any:
                return intake.readings([Reading("core-1", T0 + number * SECOND, number / 7)])

            assert stored_numbers() == []  # and a reader stays connected, as the page does: the log is not cut by itself
            before = [send(number) for number in range(20)]
            assert {future.result(WAIT_S)[0].what for future in before} == {"stored"}
            with trouble(store, writer, *([] if server is None else [server])):
                during, number = [], 20
                while not told:
                    assert number < 2000, "the trouble did not show"
                    during.append(send(number))
                    number += 1
                    if number % 10 == 0:
                        time.sleep(0.01)
                during += [send(number + n) for n in range(30)]
                open_now = [future for future in during if not future.done()]
                assert len(open_now) >= 30
                assert isinstance(told[0], kind)
                assert sentence in str(told[0])
                assert store.where in str(told[0])
                with pytest.raises(StoreUnavailable):
                    # A person's entry fails at once and says why, instead of waiting with the readings.
                    writer.submit(lambda conn: plans.set_setting(conn, "filler", "x" * 40_000)).result(WAIT_S)
                assert writer.trouble is not None
                if trouble not in (gone, server_gone):
                    assert len(stored_numbers()) == 20 + len(during) - len([future for future in during if not future.done()])
            assert {future.result(WAIT_S)[0].what for future in during} == {"stored"}
            until(lambda: told[-1] is None)
            assert writer.submit(lambda conn: plans.set_setting(conn, "after", 1)).result(WAIT_S) is None
            assert writer.trouble is None
            intake.close()
        everything = list(range(20 + len(during)))
        assert stored_numbers() == everything
        assert memory == everything
        with store.read() as conn:
            assert ledger.verify(conn) == []
            assert [entry.body["number"] for entry in ledger.entries(conn, kind="finding")] == everything
