"""The store on a SQLite file: pragmas, the write-ahead log, the file's identity, the online backup.

WAL mode with `synchronous=FULL` ("Write-Ahead Logging", "PRAGMA synchronous" in SQLite's documentation): a commit that
returned survives a power cut.

SQLite lets whoever asks at the right instant write next ("sqlite3_busy_timeout": it sleeps and tries again), and a service that
writes group after group leaves such an instant seldom. So all our programs take turns at a lock of the file's folder (flock(2)).
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager, nullcontext, suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool

from monitor.errors import StoreDamaged, StoreError, StoreFailed
from monitor.store.dialect import Dialect

#: The log is copied back every so many pages, and cut to this size where no reader holds it.
WAL_PAGES = 1000
WAL_BYTES = 16 * 1024 * 1024


class SqliteDialect(Dialect):
    """The file at `path`."""

    def __init__(self, path: Path, busy_timeout_s: float) -> None:
        self.path, self.where = path, str(path)
        self.busy_ms = int(busy_timeout_s * 1000)
        target, waiting = f"sqlite:///{path}", {"timeout": busy_timeout_s}
        # A reader must not begin an empty file in the place of one that is gone: SQLite's URI filenames, mode=rw.
        present = f"sqlite:///file:{quote(str(path))}?mode=rw&uri=true"
        self.readers = create_engine(present, pool_size=4, max_overflow=16, pool_timeout=30, connect_args=waiting)
        self.writing = create_engine(target, poolclass=NullPool, connect_args=waiting)
        # Each connection fills its cache in time. A reader's is void at the writer's next commit; of the writer's, 2 MB are written as fast
        # as 8 (rows in order and rows three weeks back, measured on 72 MB), since the system caches the file too.
        self._connecting(self.readers, begin="BEGIN", more=("PRAGMA query_only=ON", "PRAGMA cache_size=-1000"))
        writing = (
            "PRAGMA journal_mode=WAL",
            "PRAGMA synchronous=FULL",
            f"PRAGMA wal_autocheckpoint={WAL_PAGES}",
            f"PRAGMA journal_size_limit={WAL_BYTES}",
            "PRAGMA cache_size=-2000",
        )
        self._connecting(self.writing, begin="BEGIN IMMEDIATE", more=writing, turn=self._turn)

    def _connecting(
        self, engine: Engine, begin: str, more: tuple[str, ...], turn: Callable[[], AbstractContextManager[None]] = nullcontext
    ) -> None:
        """Set the pragmas on every new connection and say BEGIN ourselves, so that DDL and savepoints are transactional."""
        pragmas = (f"PRAGMA busy_timeout={self.busy_ms}", "PRAGMA foreign_keys=ON", "PRAGMA temp_store=MEMORY", *more)

        @event.listens_for(engine, "connect")
        def connected(connection: Any, _record: Any) -> None:
            connection.isolation_level = None  # the driver must not begin or commit by itself
            for pragma in pragmas:
                connection.execute(pragma)

        @event.listens_for(engine, "begin")
        def begun(connection: Connection) -> None:
            with turn():
                connection.exec_driver_sql(begin)

    @contextmanager
    def _turn(self) -> Iterator[None]:
        """Be the next to write: only whoever has the turn asks SQLite for its lock, so that none who waits is passed by.

        It is a courtesy, and SQLite's lock keeps the file whole: where the turn is not to be had in time it is asked without.
        """
        try:
            folder = os.open(self.path.parent, os.O_RDONLY)
        except OSError:
            yield  # BEGIN tells what is wrong with it
            return
        try:
            until = time.monotonic() + self.busy_ms / 1000
            while not _locked(folder) and time.monotonic() < until:
                time.sleep(0.002)
            yield
        finally:
            with suppress(OSError):
                fcntl.flock(folder, fcntl.LOCK_UN)  # closing is not enough where the process has just been forked
            os.close(folder)

    def prepare(self, create: bool) -> None:
        """Make the file's folder, or refuse a file that is not there."""
        if create:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        elif not self.path.exists():
            raise StoreError(f"there is no database at {self.path}; start the service there once, or name the right data folder")

    def check(self, connection: Connection) -> None:
        """Nothing to ask: every promise is a pragma of ours."""

    def identity(self) -> tuple[int, int]:
        """Which file it is: SQLite would begin an empty one in its place, or write on to one without a name."""
        try:
            stat = os.stat(self.path)
        except OSError as error:
            raise StoreFailed(f"{self.path} is gone ({error.strerror}); put the file back or restore the newest backup") from error
        return stat.st_dev, stat.st_ino

    def claim(self, connection: Connection) -> None:
        """Nothing to do: who writes to a file holds its data folder (`service.lock`)."""

    def commit(self, connection: Connection) -> None:
        """Commit; SQLite undoes a transaction by itself on some troubles, and a job may have swallowed the one that told."""
        driver, transaction = connection.connection.driver_connection, connection.get_transaction()
        if transaction is None or (driver is not None and not driver.in_transaction):
            raise StoreFailed(f"{self.path} undid what was being written; it will be tried again")
        transaction.commit()

    def wal_bytes(self) -> int:
        """Size of the write-ahead log beside the file, 0 where there is none."""
        try:
            return os.stat(f"{self.path}-wal").st_size
        except OSError:
            return 0

    def trim(self, connection: Connection) -> None:
        """Keep the write-ahead log bounded: once readers let it grow, fold it back and cut it when they are gone."""
        driver = connection.connection.driver_connection
        if driver is None or self.wal_bytes() <= WAL_BYTES:
            return
        driver.execute("PRAGMA busy_timeout=0")  # a reader is not waited for; the next time will do
        driver.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        driver.execute(f"PRAGMA busy_timeout={self.busy_ms}")

    def backup(self, target: Path) -> None:
        """SQLite's online backup in one step: a reader's lock, which stops no writer."""
        part = target.with_name(target.name + ".part")
        target.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        with closing(sqlite3.connect(self.path, timeout=self.busy_ms / 1000)) as source, closing(sqlite3.connect(part)) as copy:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")  # the copy is one file, with no log beside it
            (verdict,) = copy.execute("PRAGMA quick_check").fetchone()
        if verdict != "ok":
            part.unlink(missing_ok=True)
            raise StoreDamaged(f"the backup of {self.path} is not sound ({verdict}); keep the last good backup and check the disk")
        keep_whole(part, target)


def _locked(folder: int) -> bool:
    """Take the lock; False where another has it, True also where the file system knows no such lock."""
    try:
        fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def keep_whole(part: Path, target: Path) -> None:
    """Give the finished copy `part` its name, once it is on the disk."""
    with open(part, "rb") as file:
        os.fsync(file.fileno())
    os.replace(part, target)
