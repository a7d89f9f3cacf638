"""The database file: how it is opened, read, written, checkpointed and backed up.

SQLite in WAL mode with `synchronous=FULL` ("Write-Ahead Logging", "PRAGMA synchronous"): a commit that
returned survives a power cut. One connection writes (`writer.py`); readers are short and cannot write.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import NullPool

from monitor.errors import StoreDamaged, StoreError
from monitor.store import migrations
from monitor.store.trouble import translated

#: The log is copied back every so many pages, and cut to this size where no reader holds it.
WAL_PAGES = 1000
WAL_BYTES = 16 * 1024 * 1024


class Store:
    """One SQLite database file, opened for many readers and one writer.

    `url` is a path or `sqlite:///path`. `create=False` refuses a file that does not exist. Nothing is
    touched before `open()`. `busy_timeout_s` is how long a lock of another program is waited for.
    """

    def __init__(self, url: str | Path, create: bool = True, *, busy_timeout_s: float = 5.0) -> None:
        self.path = _path(url)
        self._create = create
        self.busy_ms = int(busy_timeout_s * 1000)
        self._opened = False
        target = f"sqlite:///{self.path}"
        self._readers = create_engine(target, pool_size=4, max_overflow=16, pool_timeout=30, connect_args={"timeout": busy_timeout_s})
        #: The engine of the one writing connection; a connection is closed with its use, so trouble ends with it.
        self.write_engine = create_engine(target, poolclass=NullPool, connect_args={"timeout": busy_timeout_s})
        self._prepare(self._readers, begin="BEGIN", more=("PRAGMA query_only=ON", "PRAGMA cache_size=-2000"))
        writing = (
            "PRAGMA journal_mode=WAL",
            "PRAGMA synchronous=FULL",
            f"PRAGMA wal_autocheckpoint={WAL_PAGES}",
            f"PRAGMA journal_size_limit={WAL_BYTES}",
            "PRAGMA cache_size=-8000",
        )
        self._prepare(self.write_engine, begin="BEGIN IMMEDIATE", more=writing)

    def _prepare(self, engine: Engine, begin: str, more: tuple[str, ...]) -> None:
        """Set the pragmas on every new connection and say BEGIN ourselves, so that DDL and savepoints are transactional."""
        pragmas = (f"PRAGMA busy_timeout={self.busy_ms}", "PRAGMA foreign_keys=ON", "PRAGMA temp_store=MEMORY", *more)

        @event.listens_for(engine, "connect")
        def connected(connection: Any, _record: Any) -> None:
            connection.isolation_level = None  # the driver must not begin or commit by itself
            for pragma in pragmas:
                connection.execute(pragma)

        @event.listens_for(engine, "begin")
        def begun(connection: Connection) -> None:
            connection.exec_driver_sql(begin)

    def open(self) -> Store:
        """Open the file, bring its tables up to date, and return the store itself.

        Raises StoreVersion for a database of a newer program, StoreDamaged for a file that is none of ours.
        """
        if not self._create and not self.path.exists():
            raise StoreError(f"there is no database at {self.path}; start the service there once, or name the right data folder")
        with translated(str(self.path)):
            if self._create:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.write_engine.connect() as connection:
                migrations.upgrade(connection, str(self.path))
        self._opened = True
        return self

    def __enter__(self) -> Store:
        return self if self._opened else self.open()

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A read-only connection on one consistent state. Keep it short: a reader that stays lets the log grow."""
        with translated(str(self.path)), self._readers.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction of a command that runs while no service does (the service itself goes through `Writer`)."""
        with translated(str(self.path)), self.write_engine.begin() as connection:
            yield connection

    def wal_bytes(self) -> int:
        """Size of the write-ahead log beside the file, 0 where there is none."""
        try:
            return os.stat(f"{self.path}-wal").st_size
        except OSError:
            return 0

    def backup(self, target: Path) -> Path:
        """Copy the database to the file `target` while it is in use; the copy is checked before it takes that name.

        Uses SQLite's online backup in one step: a reader's lock, which stops no writer.
        """
        part = target.with_name(target.name + ".part")
        with translated(str(target)):
            target.parent.mkdir(parents=True, exist_ok=True)
            part.unlink(missing_ok=True)
            with closing(sqlite3.connect(self.path, timeout=self.busy_ms / 1000)) as source, closing(sqlite3.connect(part)) as copy:
                source.backup(copy)
                copy.execute("PRAGMA journal_mode=DELETE")  # the copy is one file, with no log beside it
                (verdict,) = copy.execute("PRAGMA quick_check").fetchone()
            if verdict != "ok":
                part.unlink(missing_ok=True)
                raise StoreDamaged(f"the backup of {self.path} is not sound ({verdict}); keep the last good backup and check the disk")
            with open(part, "rb") as file:
                os.fsync(file.fileno())
            os.replace(part, target)
        return target

    def close(self) -> None:
        """Close every connection that is not in use."""
        self._readers.dispose()
        self.write_engine.dispose()
        self._opened = False


def _path(url: str | Path) -> Path:
    if isinstance(url, Path):
        return url
    if "://" not in url:
        return Path(url)
    try:
        parsed = make_url(url)
    except ArgumentError:
        parsed = None
    if parsed is None or parsed.get_backend_name() != "sqlite":
        scheme = url.split("://", maxsplit=1)[0]
        raise StoreError(f'[store] url begins with "{scheme}://"; this version stores in SQLite only: write sqlite:///larderer.sqlite')
    if not parsed.database or parsed.database == ":memory:":
        raise StoreError(f'[store] url is "{url}", which names no file; write sqlite:///larderer.sqlite')
    return Path(parsed.database)
