"""The one writer: groups, savepoints, what happens when something goes wrong."""

import os
import queue
import shutil
import threading
from concurrent.futures import Future, wait
from contextlib import suppress
from pathlib import Path

import pytest
from sqlalchemy import Connection, text

from monitor.errors import LedgerError, RecordRefused, StoreClosed, StoreFailed
from monitor.store import plans
from monitor.store import sqlite as sqlite_module
from monitor.store.database import Store
from monitor.store.writer import Writer
from rules.errors import EventError

WAIT_S = 20


def put(key: str, value: object = 1):
    def job(conn: Connection) -> str:
        plans.set_setting(conn, key, value)
        return key

    return job


def kept(store: Store, *keys: str) -> list[object]:
    with store.read() as conn:
        return [plans.get_setting(conn, key) for key in keys]


def test_future_is_done_only_after_the_commit(store: Store) -> None:
    """A job that ran is neither acknowledged nor visible before its group commits."""
    ran = threading.Event()

    def job(conn: Connection) -> None:
        plans.set_setting(conn, "a", 1)
        ran.set()

    with Writer(store, idle_s=60) as writer:
        future = writer.submit(job, waiting=False)
        assert ran.wait(WAIT_S)
        assert not future.done()
        assert kept(store, "a") == [None]
        writer.urgent()
        future.result(WAIT_S)
        assert kept(store, "a") == [1]


def test_command_writes_beside_a_writer_that_never_rests(database: str) -> None:
    """A wired source sends all the time, so that a next group begins as one ends: other programs get their turn all the same."""
    ended = threading.Event()
    with Store(database) as store, Writer(store, idle_s=0.2) as writer, Store(database) as beside:

        def poured(conn: Connection) -> None:
            plans.set_setting(conn, "poured", 1)
            if not ended.wait(0.001):
                writer.submit(poured, waiting=False)

        writer.submit(poured, waiting=False)
        try:
            for n in range(3):
                with beside.write() as conn:
                    plans.set_setting(conn, "beside", n)
        finally:
            ended.set()
        assert kept(store, "beside") == [2]


def test_somebody_waiting_commits_those_who_do_not(store: Store) -> None:
    """A waiting job takes the patient ones before it along."""
    with Writer(store, idle_s=60) as writer:
        patient = writer.submit(put("a"), waiting=False)
        writer.submit(put("b")).result(WAIT_S)
        assert patient.done()
        assert writer.commits == 1


@pytest.mark.parametrize("engine", ["sqlite"], indirect=True)  # what waits is the writer, whatever it writes to
def test_wait_for_another_job_ends_with_its_time(store: Store) -> None:
    """A group waits a little for more; CPython 3.11's SimpleQueue could then wait for ever, and everybody for the commit."""
    with Writer(store) as writer:
        kind = type(writer._jobs)

    def look() -> None:
        for _ in range(20_000):
            with suppress(queue.Empty):
                kind().get(timeout=1e-6)

    thread = threading.Thread(target=look, daemon=True)
    thread.start()
    thread.join(WAIT_S)
    assert not thread.is_alive()


def test_a_full_group_commits_without_waiting_for_its_window(store: Store) -> None:
    """`rows` rows are enough when somebody waits."""
    with Writer(store, window_s=60, quiet_s=60, rows=500) as writer:
        future = writer.submit(put("a"), rows=500)
        assert future.result(WAIT_S) == "a"


def test_rows_that_a_job_counts_while_it_runs_fill_the_group(store: Store) -> None:
    """Who submits a job need not know how many rows it will find to write."""
    with Writer(store, window_s=60, quiet_s=60, rows=500) as writer:

        def job(conn: Connection) -> str:
            writer.count(500)
            return put("a")(conn)

        assert writer.submit(job, rows=0).result(WAIT_S) == "a"
        assert writer.submit(put("b"), rows=499).done() is False
        writer.urgent()


def test_group_waits_for_more_no_longer_than_two_commits_cost(store: Store) -> None:
    """A card is spared what a fast disk need not be: there the wait would be most of what a sender waits for."""
    with Writer(store, window_s=60, quiet_s=60) as writer:
        writer._commit_s = 0.001  # as on a fast disk
        assert writer.submit(put("a")).result(WAIT_S) == "a"
        writer._commit_s = 40.0  # as on a very slow one
        future = writer.submit(put("b"))
        assert not wait([future], 0.5).done
        writer.urgent()
        assert future.result(WAIT_S) == "b"


def test_listener_that_fails_does_not_end_the_writer(store: Store) -> None:
    """Who is told that something urgent is durable may have gone (a closed event loop); the next job is written all the same."""
    told: list[str] = []

    def gone() -> None:
        told.append("gone")
        raise RuntimeError("Event loop is closed")

    def finds(conn: Connection) -> None:
        put("found")(conn)
        writer.urgent()

    with Writer(store) as writer:
        writer.add_urgent_listener(gone)
        writer.add_urgent_listener(lambda: told.append("here"))
        writer.submit(finds).result(WAIT_S)
        assert writer.submit(put("after")).result(WAIT_S) == "after"
    assert told == ["gone", "here"]
    assert kept(store, "found", "after") == [1, 1]


def test_job_that_finds_something_urgent_commits_at_once(store: Store) -> None:
    """A job may call `urgent()` itself."""
    with Writer(store, idle_s=60) as writer:

        def job(conn: Connection) -> None:
            plans.set_setting(conn, "a", 1)
            writer.urgent()

        writer.submit(job, waiting=False).result(WAIT_S)


@pytest.mark.parametrize("error", [EventError("no such lot"), LedgerError("not sealed")])
def test_refused_job_is_undone_alone(store: Store, error: Exception) -> None:
    """A refusal undoes its own savepoint; the group's other jobs are written and nobody is told of a rollback."""
    told: list[int] = []

    def refuse(conn: Connection) -> None:
        plans.set_setting(conn, "b", 1)
        raise error

    with Writer(store, lambda: told.append(1), idle_s=60) as writer:
        first = writer.submit(put("a"), waiting=False)
        second = writer.submit(refuse, waiting=False)
        third = writer.submit(put("c"), waiting=False)
        writer.urgent()
        assert third.result(WAIT_S) == "c"
        assert first.result(WAIT_S) == "a"
        assert second.exception(WAIT_S) is error
    assert kept(store, "a", "b", "c") == [1, None, 1]
    assert told == []


def test_contradicting_record_is_refused_alone(store: Store, writer: Writer) -> None:
    """What a constraint refuses fails its own future with a sentence."""
    writer.submit(lambda conn: conn.execute(text("INSERT INTO probe_name (name) VALUES ('core-1')")) and None).result(WAIT_S)
    again = writer.submit(lambda conn: conn.execute(text("INSERT INTO probe_name (name) VALUES ('core-1')")) and None)
    with pytest.raises(RecordRefused, match="contradicts what is stored"):
        again.result(WAIT_S)
    assert writer.submit(put("a")).result(WAIT_S) == "a"


def test_mistake_in_a_job_undoes_the_group_and_the_others_run_again(store: Store) -> None:
    """Memory is told before anything else runs; the innocent are written, the culprit hears of its mistake."""
    order: list[str] = []

    def note(key: str):
        def job(conn: Connection) -> str:
            order.append(key)
            plans.set_setting(conn, key, 1)
            return key

        return job

    def mistake(conn: Connection) -> None:
        order.append("mistake")
        plans.set_setting(conn, "b", 1)
        raise KeyError("b")

    with Writer(store, lambda: order.append("rollback"), idle_s=60) as writer:
        first = writer.submit(note("a"), waiting=False)
        second = writer.submit(mistake, waiting=False)
        third = writer.submit(note("c"))
        assert isinstance(second.exception(WAIT_S), KeyError)
        assert first.result(WAIT_S) == "a"
        assert third.result(WAIT_S) == "c"
    assert order == ["a", "mistake", "rollback", "a", "c"]
    assert kept(store, "a", "b", "c") == [1, None, 1]


def test_no_job_runs_until_memory_has_been_read_again(store: Store) -> None:
    """A listener that fails is called again before the next job, which fails as long as it does."""
    troubles = [RuntimeError("first"), RuntimeError("second")]

    def reread() -> None:
        if troubles:
            raise troubles.pop()

    def mistake(_conn: Connection) -> None:
        raise KeyError("b")

    with Writer(store, reread) as writer:
        assert isinstance(writer.submit(mistake).exception(WAIT_S), KeyError)
        assert isinstance(writer.submit(put("a")).exception(WAIT_S), RuntimeError)
        assert writer.submit(put("c")).result(WAIT_S) == "c"
    assert kept(store, "a", "c") == [None, 1]


def test_cancelled_future_does_not_stop_the_writer(store: Store) -> None:
    """Somebody who no longer waits is no trouble; what was submitted is written."""
    held, go = threading.Event(), threading.Event()

    def hold(_conn: Connection) -> None:
        held.set()
        go.wait(WAIT_S)

    with Writer(store) as writer:
        first = writer.submit(hold)
        assert held.wait(WAIT_S)
        given_up: Future[str] = writer.submit(put("a"))
        assert given_up.cancel()
        go.set()
        first.result(WAIT_S)
        assert writer.submit(put("b")).result(WAIT_S) == "b"
    assert kept(store, "a", "b") == [1, 1]


def test_closing_writes_what_was_submitted_and_refuses_more(store: Store) -> None:
    """Nothing submitted before `close()` is lost, nothing after it is taken."""
    writer = Writer(store, idle_s=60)
    futures = [writer.submit(put(f"k{n}"), waiting=False) for n in range(20)]
    writer.close()
    assert [future.result(0) for future in futures] == [f"k{n}" for n in range(20)]
    with pytest.raises(StoreClosed, match="has been closed"):
        writer.submit(put("a"))


@pytest.mark.parametrize("engine", ["sqlite"], indirect=True)  # a server holds its files
def test_file_that_is_gone_is_told_and_not_begun_anew(store: Store, writer: Writer, tmp_path: Path) -> None:
    """A database moved away under the service stops writing; put back, it goes on."""
    writer.submit(put("a")).result(WAIT_S)
    aside = tmp_path / "aside"
    os.rename(store.path, aside)
    with pytest.raises(StoreFailed, match="is gone"):
        writer.submit(put("b")).result(WAIT_S)
    assert not store.path.exists()
    os.rename(aside, store.path)
    assert writer.submit(put("c")).result(WAIT_S) == "c"


@pytest.mark.parametrize("engine", ["sqlite"], indirect=True)  # a server holds its files
def test_file_that_was_replaced_is_told(store: Store, writer: Writer, tmp_path: Path) -> None:
    """Nothing is written on to a file that has lost its name."""
    writer.submit(put("a")).result(WAIT_S)
    shutil.copy(store.path, tmp_path / "copy")
    os.replace(tmp_path / "copy", store.path)
    with pytest.raises(StoreFailed, match="another file than before"):
        writer.submit(put("b")).result(WAIT_S)


def test_swallowed_trouble_is_not_acknowledged(store: Store, writer: Writer) -> None:
    """A job that hides that SQLite undid the transaction fails all the same."""

    def job(conn: Connection) -> None:
        plans.set_setting(conn, "a", 1)
        driver = conn.connection.driver_connection
        assert driver is not None
        driver.execute("ROLLBACK")

    assert writer.submit(job).exception(WAIT_S) is not None
    assert kept(store, "a") == [None]
    assert writer.submit(put("b")).result(WAIT_S) == "b"


@pytest.mark.parametrize("engine", ["sqlite"], indirect=True)  # a server keeps its log by itself
def test_log_is_cut_once_the_reader_that_held_it_has_gone(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The write-ahead log grows under a long reader and is cut after it."""
    monkeypatch.setattr(sqlite_module, "WAL_BYTES", 200_000)
    with Writer(store) as writer:
        with store.read() as conn:
            plans.get_setting(conn, "a")
            for n in range(70):
                writer.submit(put("a", "x" * 5000 + str(n))).result(WAIT_S)
            assert store.wal_bytes() > 200_000
        for n in range(64):
            writer.submit(put("a", n)).result(WAIT_S)
        assert store.wal_bytes() <= 200_000
