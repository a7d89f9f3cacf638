"""A whole database, as of one instant, from one engine into the tables of another: PostgreSQL's backup, and its restore.

A backup is a SQLite file whichever engine it was made from: it opens, verifies and restores alike, and it is the way
from one engine to the other. Every table is copied row by row in the order of its keys; nothing is computed anew, so
the chain and the seals of the copy are those of the database.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Connection, Engine, Integer, MetaData, func, insert, select, text

from monitor.errors import RefusedError, StoreDamaged, StoreVersion
from monitor.store import migrations
from monitor.store.dialect import streamed
from monitor.store.sqlite import SqliteDialect, keep_whole

_ROWS = 2000

#: Told the table and how many of its rows are copied so far.
Progress = Callable[[str, int], None]


def _quiet(_table: str, _rows: int) -> None:
    return None


def copy_rows(source: Connection, target: Connection, progress: Progress = _quiet) -> int:
    """Copy every row of every table but Alembic's note; returns how many.

    The tables are those that the source really has, both databases being at this program's revision. Raises StoreVersion
    where they are not, RefusedError where the target holds rows already.
    """
    for conn, what in ((source, "the database to be copied"), (target, "the database to copy into")):
        if (found := migrations.current(conn)) != migrations.HEAD:
            raise StoreVersion(f"{what} is at revision {found or 'none'}, not {migrations.HEAD}; open it once with this version")
    # As each engine has them: a number written as the other engine's type could lose its last bits.
    tables, into = MetaData(), MetaData()
    tables.reflect(source)
    into.reflect(target)
    wanted = [table for table in tables.sorted_tables if table.name != "alembic_version"]
    for table in wanted:
        if target.execute(select(func.count()).select_from(table)).scalar_one():
            raise RefusedError(f"the table {table.name} of the database to copy into holds rows; make an empty database and name that")
    copied = 0
    for table in wanted:
        rows, batch = 0, []
        for row in streamed(source, select(table).order_by(*table.primary_key.columns), _ROWS):
            batch.append(dict(row._mapping))
            if len(batch) == _ROWS:
                target.execute(insert(into.tables[table.name]), batch)
                rows, batch = rows + len(batch), []
                progress(table.name, rows)
        if batch:
            target.execute(insert(into.tables[table.name]), batch)
        progress(table.name, rows := rows + len(batch))
        copied += rows
        if target.dialect.name == "postgresql":
            _follow(target, table.name, [c.name for c in table.primary_key.columns if isinstance(c.type, Integer)])
    return copied


def _follow(target: Connection, table: str, keys: list[str]) -> None:
    """Let the numbers that PostgreSQL gives go on behind the highest that was copied."""
    for key in keys:
        named = target.execute(text("SELECT pg_get_serial_sequence(:table, :key)"), {"table": table, "key": key}).scalar()
        if named is not None:
            target.exec_driver_sql(f"SELECT setval('{named}', (SELECT coalesce(max({key}), 0) + 1 FROM {table}), false)")


def copy_to_file(readers: Engine, target: Path, progress: Progress = _quiet) -> None:
    """Copy the database that `readers` connects to, in one state, to the SQLite file `target`; checked before it takes that name."""
    part = target.with_name(target.name + ".part")
    target.parent.mkdir(parents=True, exist_ok=True)
    part.unlink(missing_ok=True)
    made = SqliteDialect(part, 5.0)
    try:
        with readers.connect() as source, source.begin(), made.writing.connect() as copy:
            migrations.upgrade(copy, str(part))
            with copy.begin():
                copy_rows(source, copy, progress)
            copy.connection.driver_connection.execute("PRAGMA journal_mode=DELETE").fetchall()  # type: ignore[union-attr]
            verdict = copy.exec_driver_sql("PRAGMA quick_check").scalar()
            copy.rollback()
    finally:
        made.close()
    if verdict != "ok":
        part.unlink(missing_ok=True)
        raise StoreDamaged(f"the copy {part} is not sound ({verdict}); check the disk that it is written to")
    keep_whole(part, target)
