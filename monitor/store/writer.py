"""The one writer: a thread that owns the writing connection and commits jobs in groups.

A job is a function of the connection. It runs as soon as it comes, so that what it finds is known at once;
its future is done only after the commit that holds it. A group commits
- at once after `urgent()` (something was found that must not wait),
- within `window_s`, or at `rows` rows, when somebody waits for an acknowledgement; earlier when nothing more comes within `quiet_s`,
  or within what two commits cost on this disk where that is less: a card is spared what a fast disk need not be,
- after `idle_s` otherwise, which spares a card.

A job that raises MonitorError or RulesError is undone by its savepoint and only its own future fails. Anything
else that goes wrong undoes the group: `on_rollback` is called, so that whoever keeps state in memory reads it
again from the store, before another job runs.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import DataError, IntegrityError, SQLAlchemyError

from monitor.errors import MonitorError, StoreClosed, StoreDamaged, StoreError, StoreFailed, StoreUnavailable
from monitor.store.database import Store
from monitor.store.savepoint import Savepoint
from monitor.store.trouble import translate
from rules.errors import RulesError

T = TypeVar("T")
_MOST_ROWS = 20_000


@dataclass(slots=True)
class _Job:
    run: Callable[[Connection], Any]
    rows: int
    waiting: bool
    future: Future[Any]


class Writer:
    """The thread that writes to `store`. `on_rollback` is called, with nothing, after a group was undone.

    Futures are set in the writer's thread: what is hung on them must be short, and a job never waits for another.
    Close it to stop; what was submitted before is still written.
    """

    def __init__(
        self,
        store: Store,
        on_rollback: Callable[[], None] | None = None,
        *,
        window_s: float = 0.05,
        quiet_s: float = 0.005,
        idle_s: float = 1.0,
        rows: int = 500,
    ) -> None:
        self.store = store
        self.window_s, self.quiet_s, self.idle_s, self.rows = window_s, quiet_s, idle_s, rows
        #: The trouble of the last attempt to write, None once something was committed after it.
        self.trouble: StoreError | None = None
        #: What was committed since the start: groups, rows.
        self.commits, self.written = 0, 0
        self._listeners = [on_rollback] if on_rollback is not None else []
        self._told: list[Callable[[], None]] = []
        # Not SimpleQueue: its get() may wait for ever where its timeout ends while it takes a lock left free by an earlier put().
        self._jobs: queue.Queue[_Job | None] = queue.Queue()
        self._urgent, self._counted = False, 0  # writer's thread only
        self._commit_s = quiet_s  # what a commit has cost lately; writer's thread only
        self._closing = False
        self._gate = threading.Lock()
        self._stale = False
        self._connection: Connection | None = None
        self._identity: Hashable = None
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)
        self._thread.start()

    def add_rollback_listener(self, listener: Callable[[], None]) -> None:
        """Have `listener` called, too, after a group was undone; in the writer's thread, in the order added."""
        self._listeners.append(listener)

    def add_urgent_listener(self, listener: Callable[[], None]) -> None:
        """Have `listener` called once a group that was urgent is durable: what it found can be delivered now."""
        self._told.append(listener)

    def submit(self, job: Callable[[Connection], T], *, rows: int = 1, waiting: bool = True) -> Future[T]:
        """Queue `job`; the future gives what it returned once that is durable.

        `rows` is about how many rows it writes; `waiting` whether somebody waits for the acknowledgement.
        The future fails with StoreUnavailable where the store cannot be written: the same job may be submitted again.
        Raises StoreClosed after `close()`.
        """
        future: Future[T] = Future()
        with self._gate:  # nothing may slip in behind the mark that ends the thread
            if self._closing:
                raise StoreClosed(f"{self.store.where} has been closed; start the service again to write to it")
            self._jobs.put(_Job(job, rows, waiting, future))
        return future

    def urgent(self) -> None:
        """Commit at once what was submitted before: called by a job that found something, or by anybody who cannot wait."""
        if threading.current_thread() is self._thread:
            self._urgent = True
            return
        with self._gate:
            if not self._closing:
                self._jobs.put(_Job(self._now_urgent, 0, False, Future()))

    def count(self, rows: int) -> None:
        """Called by a job that writes so many rows more than was said when it was submitted."""
        self._counted += rows

    def _now_urgent(self, _conn: Connection) -> None:
        self._urgent = True

    def close(self) -> None:
        """Write what was submitted, fold the log back into the file, close the connection and end the thread."""
        with self._gate:
            if not self._closing:
                self._closing = True
                self._jobs.put(None)
        if threading.current_thread() is not self._thread:
            self._thread.join()

    def __enter__(self) -> Writer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            if not self._group(job):
                break
        self._disconnect()

    def _group(self, first: _Job) -> bool:
        """Run and commit jobs from `first` on; False once the thread is to end."""
        group: list[tuple[_Job, Any]] = []
        job: _Job | None = first
        going_on, rows, waiting = True, 0, False
        now = time.monotonic()
        opened = asked = now
        try:
            conn = self._begin()
            while job is not None:
                done, value = self._attempt(conn, job)
                if done:
                    group.append((job, value))
                rows += self._rows(job)
                now = time.monotonic()
                if job.waiting and not waiting:
                    waiting, asked = True, now
                if self._urgent or rows >= (self.rows if waiting else _MOST_ROWS):
                    break
                quiet = min(self.quiet_s, 2 * self._commit_s)
                due = min(asked + self.window_s, now + quiet) if waiting else opened + self.idle_s
                if due <= now:
                    break
                try:
                    job = self._jobs.get(timeout=due - now)
                except queue.Empty:
                    break
                going_on = job is not None
            job = None
            urgent, self._urgent = self._urgent, False
            self._commit(conn)
        except Exception as error:  # noqa: BLE001 - whatever it is, the group is undone and everybody is told
            self._undo(group, job, error)
            return going_on
        self.trouble = None
        self.commits += 1
        self.written += rows
        for written, value in group:
            _resolve(written.future, value)
        if urgent:
            for listener in self._told:
                with suppress(Exception):  # what is durable stays so, and a listener's mistake must not end the thread that writes
                    listener()
        self._trim()
        return going_on

    def _rows(self, job: _Job) -> int:
        """How many rows the job that has just run has written."""
        counted, self._counted = self._counted, 0
        return job.rows + counted

    def _begin(self) -> Connection:
        if self._stale:
            self._tell_rollback()
        identity = self.store.dialect.identity()
        if self._connection is not None and self._identity != identity:
            self._disconnect()
            raise StoreFailed(f"{self.store.where} is another file than before; restart the service so that it reads it anew")
        if self._connection is None:
            connection = self.store.write_engine.connect()
            try:
                self.store.dialect.claim(connection)
            except BaseException:
                connection.close()
                raise
            self._connection, self._identity = connection, identity
        self._connection.begin()
        return self._connection

    def _attempt(self, conn: Connection, job: _Job) -> tuple[bool, Any]:
        """Run one job in its savepoint; (False, None) where only this job was undone and its future has failed.

        Trouble with the store, and mistakes in the program, come out: they undo the whole group.
        """
        savepoint = Savepoint(conn, "job")
        try:
            value = job.run(conn)
            savepoint.keep()
        except (MonitorError, RulesError, IntegrityError, DataError) as error:
            ours = translate(error, self.store.where) or error
            if isinstance(ours, StoreUnavailable | StoreDamaged):
                raise
            savepoint.undo()
            if ours is not error:
                ours.__cause__ = error
            _fail(job.future, ours)
            return False, None
        return True, value

    def _commit(self, conn: Connection) -> None:
        begun = time.monotonic()
        self.store.dialect.commit(conn)
        self._commit_s += (time.monotonic() - begun - self._commit_s) / 4
        if conn.invalidated:  # it broke after the commit was done: the next group takes a new one
            self._disconnect()

    def _undo(self, group: list[tuple[_Job, Any]], culprit: _Job | None, error: Exception) -> None:
        """Undo the group, tell everybody who keeps state, then run again those that were not at fault."""
        self._rolled_back()
        ours = translate(error, self.store.where)
        if ours is not None:
            if ours is not error:
                ours.__cause__ = error
            self.trouble = ours
            for job in [job for job, _ in group] + ([culprit] if culprit is not None else []):
                _fail(job.future, ours)
            self._fail_waiting(ours)
            return
        if culprit is not None:
            _fail(culprit.future, error)
            for job, _ in group:
                self._group_of_one(job)
            return
        for job, _ in group:
            _fail(job.future, error)

    def _group_of_one(self, job: _Job) -> None:
        """Run one job again in a transaction of its own, after another one spoilt their group."""
        try:
            conn = self._begin()
            done, value = self._attempt(conn, job)
            self._commit(conn)
        except Exception as error:  # noqa: BLE001 - the job's owner is told, whatever it is
            self._rolled_back()
            _fail(job.future, translate(error, self.store.where) or error)
            return
        self.commits += 1
        self.written += self._rows(job)
        if done:
            _resolve(job.future, value)

    def _fail_waiting(self, error: StoreError) -> None:
        """Fail what was queued before the trouble showed: each would only wait for the same trouble in turn."""
        for _ in range(self._jobs.qsize()):
            try:
                job = self._jobs.get_nowait()
            except queue.Empty:
                return
            if job is None:
                self._jobs.put(None)
                return
            _fail(job.future, error)

    def _tell_rollback(self) -> None:
        """Call the listeners; if one fails, they are called again before the next job, which fails if they do again."""
        self._stale = True
        for listener in self._listeners:
            listener()
        self._stale = False

    def _rolled_back(self) -> None:
        self._disconnect()
        try:
            self._tell_rollback()
        except Exception as error:  # noqa: BLE001 - the thread must live on; `_stale` stops every job until they succeed
            self.trouble = StoreFailed(f"what is kept in memory could not be read again from {self.store.where} ({error})")

    def _trim(self) -> None:
        """Now and then, have the engine keep small what it writes beside the tables."""
        if self.commits % 64 == 0 and self._connection is not None:
            self.store.dialect.trim(self._connection)

    def _disconnect(self) -> None:
        connection, self._connection = self._connection, None
        if connection is None:
            return
        try:
            connection.close()
        except SQLAlchemyError:
            connection.invalidate()  # the trouble that brought us here was already told


def _resolve(future: Future[Any], value: Any) -> None:
    if future.set_running_or_notify_cancel():
        future.set_result(value)


def _fail(future: Future[Any], error: BaseException) -> None:
    if not future.done() and future.set_running_or_notify_cancel():
        future.set_exception(error)
