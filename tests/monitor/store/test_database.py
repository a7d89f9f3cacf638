"""The database file: pragmas, refusals, backups, leaks."""

import os
import sqlite3
import threading
from pathlib import Path

import pytest
from sqlalchemy import text

from monitor.errors import RecordRefused, StoreDamaged, StoreError, StoreReadOnly, StoreVersion
from monitor.store import plans
from monitor.store.database import Store
from monitor.store.schema import APPEND_ONLY


@pytest.mark.parametrize("engine", ["sqlite"], indirect=True)  # its pragmas
def test_commits_survive_a_power_cut_by_wal_and_full_sync(store: Store) -> None:
    """The writing connection uses the write-ahead log with synchronous FULL (2)."""
    with store.write_engine.connect() as conn:
        assert conn.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert conn.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert conn.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


def test_reader_cannot_write(store: Store) -> None:
    """A write through a reading connection is refused by the database."""
    with pytest.raises(StoreReadOnly, match="cannot be written"), store.read() as conn:
        plans.set_setting(conn, "a", 1)


@pytest.mark.parametrize("engine", ["sqlite"], indirect=True)  # PostgreSQL is asked once more whether its server can be written to
def test_store_that_is_being_written_opens_for_reading(store: Store, database: str) -> None:
    """An export at midnight, or a check of the ledger, waits for no writer."""
    with store.write() as writing:
        plans.set_setting(writing, "a", 1)
        with Store(database, busy_timeout_s=0) as other, other.read() as conn:
            assert plans.get_setting(conn, "a") is None


def test_reader_sees_one_state(store: Store) -> None:
    """What is committed while a reader reads is not seen by it."""
    with store.read() as conn:
        assert plans.get_setting(conn, "a") is None
        with store.write() as writing:
            plans.set_setting(writing, "a", 1)
        assert plans.get_setting(conn, "a") is None
    with store.read() as conn:
        assert plans.get_setting(conn, "a") == 1


@pytest.mark.parametrize(
    ("url", "sentence"),
    [
        ("mysql://host/larderer", r'begins with "mysql://"'),
        ("postgresql://host", r"names no database; write postgresql://user@host/database"),
        ("sqlite://", r"names no file; write sqlite:///larderer\.sqlite"),
    ],
)
def test_url_that_cannot_be_used_is_refused(url: str, sentence: str) -> None:
    """Each unusable address gets its sentence."""
    with pytest.raises(StoreError, match=sentence):
        Store(url)


def test_missing_file_is_refused_where_none_may_be_made(tmp_path: Path) -> None:
    """A command that only reads does not leave an empty database behind."""
    path = tmp_path / "none.sqlite"
    with pytest.raises(StoreError, match="there is no database at"):
        Store(path, create=False).open()
    assert not path.exists()


def test_database_of_another_program_is_refused(tmp_path: Path) -> None:
    """A file with somebody else's tables is left as it is."""
    path = tmp_path / "other.sqlite"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE books (title TEXT)")
    other.close()
    with pytest.raises(StoreDamaged, match="tables of another program"):
        Store(path).open()


def test_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    """Any other file is said to be no sound database."""
    path = tmp_path / "notes.sqlite"
    path.write_text("not a database, but long enough to look like one " * 40)
    with pytest.raises(StoreDamaged, match="no sound database"):
        Store(path).open()
    assert path.read_text().startswith("not a database")


def test_database_of_a_newer_version_is_refused(store: Store, database: str) -> None:
    """An unknown revision is not touched."""
    with store.write() as conn:
        conn.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    store.close()
    with pytest.raises(StoreVersion, match="revision 9999, which this version does not know"):
        Store(database).open()


def test_wrong_type_is_refused_by_the_database(store: Store) -> None:
    """The tables are STRICT."""
    with pytest.raises(RecordRefused), store.write() as conn:
        conn.execute(text("INSERT INTO plan_version (sha256, text, since) VALUES ('x', 'y', 'yesterday')"))


@pytest.mark.parametrize("table", APPEND_ONLY)
def test_records_cannot_be_changed_or_deleted_by_mistake(store: Store, table: str) -> None:
    """UPDATE and DELETE on an append-only table are refused."""
    with store.write() as conn:
        conn.execute(text("INSERT INTO probe_name (id, name) VALUES (1, 'core-1')"))
        conn.execute(text("INSERT INTO reading VALUES (1, 1, 1, 20.0, 0.0, NULL, 1)"))
        conn.execute(text("INSERT INTO fault VALUES (1, 1, 2, 'checksum', '', 1)"))
        conn.execute(text("INSERT INTO lot_event VALUES (1, 1, NULL, 'start', 'J-1', 'juniper-links', '', '', 1)"))
        conn.execute(text("INSERT INTO ledger VALUES (1, 1, 1, 'note', '', '{}', '')"))
        conn.execute(
            text(
                "INSERT INTO calibration (id, probe, at, method, reference_c, indicated_c, comment, by) "
                "VALUES (1, 'core-1', 1, 'ice-point', 0.0, 0.1, '', '')"
            )
        )
        conn.execute(text("INSERT INTO recall VALUES (1, 'core-1', NULL, 2, 0.5, 1, 3, '')"))
    for statement in (f"DELETE FROM {table}", f"UPDATE {table} SET at = 5"):
        with pytest.raises(RecordRefused, match=f"{table} is append-only"), store.write() as conn:
            conn.execute(text(statement))


def test_backup_is_whole_while_the_store_is_in_use(store: Store, tmp_path: Path) -> None:
    """A backup taken between two commits holds the first and not half of the second."""
    with store.write() as conn:
        plans.set_setting(conn, "a", 1)
    with store.write() as conn:
        plans.set_setting(conn, "b", 2)
        copy = store.backup(tmp_path / "backups" / "copy.sqlite")
    with Store(copy, create=False) as restored, restored.read() as conn:
        assert (plans.get_setting(conn, "a"), plans.get_setting(conn, "b")) == (1, None)
    assert [p.name for p in copy.parent.iterdir() if not p.name.endswith(("-wal", "-shm"))] == ["copy.sqlite"]


def test_opening_and_closing_leaks_nothing(tmp_path: Path) -> None:
    """Fifty times open, write, read, close: files and threads do not grow."""
    from monitor.store.writer import Writer

    def once() -> tuple[int, int]:
        with Store(tmp_path / "leak.sqlite") as store, Writer(store) as writer:
            writer.submit(lambda conn: plans.set_setting(conn, "a", 1)).result()
            with store.read() as conn:
                assert plans.get_setting(conn, "a") == 1
        return len(os.listdir("/proc/self/fd")), threading.active_count()

    first = once()
    for _ in range(49):
        last = once()
    assert last[0] <= first[0]
    assert last[1] <= first[1]
