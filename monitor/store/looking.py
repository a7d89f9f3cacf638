"""Looking at a database file without writing a byte to it: a copy at rest, a card pulled from a dead board, the live file.

SQLite URI filenames ("mode=ro", "immutable=1" in SQLite's documentation). A file of an older revision is copied and brought up to
date beside, so that what is checked stays as it was.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.parse import quote

from sqlalchemy import Connection, create_engine
from sqlalchemy.pool import NullPool

from monitor.errors import StoreDamaged, StoreVersion
from monitor.store import migrations
from monitor.store.database import Store
from monitor.store.trouble import translated


@contextmanager
def looking(path: Path) -> Iterator[Connection]:
    """A connection that sees one state of the SQLite file at `path` and cannot write.

    Raises StoreDamaged for a file that is none of ours, StoreVersion for one that a newer program wrote.
    """
    with translated(str(path)):
        engine = create_engine("sqlite://", creator=lambda: _connect(path), poolclass=NullPool)
        try:
            with engine.connect() as conn:
                found = migrations.current(conn)
                if not found:
                    raise StoreDamaged(f"{path} holds no records of this program; name a database or a copy of one")
                if found == migrations.HEAD:
                    yield conn
                    return
                if found not in migrations.revisions():
                    raise StoreVersion(f"{path} is at revision {found}, which this version does not know; use the version that wrote it")
        finally:
            engine.dispose()
        with TemporaryDirectory(prefix="larderer-") as folder:
            copy = Path(folder) / "copy.sqlite"
            with closing(_connect(path)) as source, closing(sqlite3.connect(copy)) as target:
                source.backup(target)
            with Store(copy, create=False) as store, store.read() as conn:
                yield conn


def _connect(path: Path) -> sqlite3.Connection:
    # Without a log beside it nobody writes to it now, and it may lie on a disk that cannot be written at all.
    how = "mode=ro" if Path(f"{path}-wal").exists() else "mode=ro&immutable=1"
    conn = sqlite3.connect(f"file:{quote(str(path.resolve()))}?{how}", uri=True, timeout=5.0, check_same_thread=False)
    conn.execute("PRAGMA query_only=ON")
    return conn


def quick_check(conn: Connection) -> str:
    """What SQLite finds wrong with the file's structure ("PRAGMA quick_check"); blank for nothing. It reads the whole file."""
    if conn.dialect.name != "sqlite":
        return ""
    found = str(conn.exec_driver_sql("PRAGMA quick_check(1)").scalar())
    return "" if found == "ok" else found
