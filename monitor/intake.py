"""The only door for readings: stamps them, tells what became of each, and loses none in silence.

Drivers hand items over in their own threads; one bounded queue holds them until they are durable. While the
store cannot be written they stay there, in order, and are tried again; when the queue is full the driver
waits, and what still finds no room is counted: as turned away where its sender hears of it and sends again (a broker, a request, a
file), as lost, aloud, where it does not. No source may fill more than half of the queue. An item leaves it with the commit only.
"""

from __future__ import annotations

import threading
from collections import Counter, deque
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from itertools import islice
from typing import cast

from sqlalchemy import Connection

from monitor.clock_board import BoardClock
from monitor.clock_restamp import right
from monitor.errors import IntakeFull, StoreClosed, StoreDamaged, StoreError, StoreUnavailable
from monitor.outcomes import REFUSED, TAKEN, UNKNOWN, Outcome, Sorting, no_offsets
from monitor.store import readings
from monitor.store.evidence import FUTURE_AHEAD
from monitor.store.readings import Arrival
from monitor.store.trouble import translate
from monitor.store.writer import Writer
from rules.quantity import format_instant
from rules.reading import HOUR, MINUTE, Fault, Instant, Reading, Span

#: Items judged in one transaction at most, so that one flood does not hold up everybody else.
_PULLED = 2000
#: The same for a backlog, so that what comes now never waits for more of it than this.
_PULLED_OLD = 500
#: A batch all of which is older than this, and than what is known of its probe, is of a backlog: what comes now goes before it.
_OLD: Span = 2 * MINUTE
#: So many different names that are not in the plan are told, so that a sender gone wild cannot fill the journal.
_TOLD = 1000

Process = Callable[[Connection, Sequence[Arrival]], object]


@dataclass(frozen=True, slots=True)
class IntakeLimits:
    """What the door lets in. `probes`: the names known (None: any); `queued`: items that may wait.

    `patience_s` is how long a driver is held while the queue is full before its items are counted as lost
    (None: as long as it takes). `retry_s`: the first and the longest pause before a failed write is tried again.
    """

    probes: Collection[str] | None = None
    queued: int = 20_000
    patience_s: float | None = 30.0
    retry_s: tuple[float, float] = (0.5, 10.0)


@dataclass(slots=True, eq=False)
class _Batch:
    items: Sequence[Reading | Fault]
    received_at: Instant
    waiting: bool
    source: object = None
    epoch: int = 0
    old: bool = False
    future: Future[tuple[Outcome, ...]] = field(default_factory=Future)
    came: tuple[Sequence[Reading | Fault], Instant] | None = None  # items and arrival by the time of `epoch`, once they were moved


def _silent(*_: object) -> None:
    """Hear nothing; the service gives callbacks that ring."""


class Intake:
    """Takes readings and faults for the writer; `sink()` gives drivers their `probes.driver.Sink`.

    `process(conn, arrivals)` stores and judges them in the writer's transaction (`monitor.pipeline`); should
    it fail other than by the store, the batch at fault alone is refused, loudly. `clock()` is the service's
    UTC time, `board` the same where that may be provisional, `offsets(conn)(probe, at)` the calibration offset in °C in force.
    Callbacks, called from any thread:
    `on_loss(items, sentence)`; `on_trouble(error)` when the store cannot be written, and with None when it can
    again; `on_notice(sentence)`; `on_state(source, connected, text)`.
    """

    def __init__(
        self,
        writer: Writer,
        process: Process,
        clock: Callable[[], Instant],
        limits: IntakeLimits | None = None,
        *,
        board: BoardClock | None = None,
        offsets: Callable[[Connection], Callable[[str, Instant], float]] = no_offsets,
        on_loss: Callable[[int, str], object] = _silent,
        on_trouble: Callable[[StoreError | None], object] = _silent,
        on_notice: Callable[[str], object] = _silent,
        on_state: Callable[[str, bool, str], object] = _silent,
    ) -> None:
        self.limits = limits or IntakeLimits()
        self._writer, self._process, self._clock, self._offsets = writer, process, clock, offsets
        self._on_loss, self._on_trouble, self._on_notice, self._on_state = on_loss, on_trouble, on_notice, on_state
        self._board = board
        self._shifts: list[Span] = []  # by how much the board's time was put right: from its epoch 0 to 1, from 1 to 2, ...
        self._known = None if self.limits.probes is None else frozenset(self.limits.probes)
        #: How many items had which outcome since the start; "lost" and "turned-away" among them.
        self.counts: Counter[str] = Counter()
        self._room = threading.Condition()
        self._told: set[tuple[str, str]] = set()  # what was turned away, outcome and probe
        self._queue: deque[_Batch] = deque()
        self._queued = 0
        self._held: Counter[object] = Counter()  # items in the queue by source
        self._pulls = 0  # so many pulls are submitted and not yet done
        self._coming = {True: 0, False: 0}  # so many of them have not begun, of those with and without somebody waiting
        self._parted = False  # the pull that just failed has seen to its batches itself; writer's thread only
        self._behind = 0  # so many batches at the end of the queue are of a backlog
        self._taken = 0  # so many batches at the head of the queue are in the writer's open transaction
        self._alone = 0  # so many batches are to be taken one by one, to find the one that cannot be processed
        self._newest: dict[str, Instant] | None = None  # writer's thread only
        self._received_at: Instant = 0
        self._down = False
        self._pause = self.limits.retry_s[0]
        self._timer: threading.Timer | None = None
        self._closed = False
        writer.add_rollback_listener(self._rolled_back)

    @property
    def queued(self) -> int:
        """How many items wait to become durable."""
        return self._queued

    def waiting(self) -> list[Reading | Fault]:
        """What waits to become durable, in the order of the queue."""
        with self._room:
            return [item for batch in self._queue for item in batch.items]

    def know(self, probes: Collection[str] | None) -> None:
        """From now on let in these probes (None: any): the plan has changed."""
        self._known = None if probes is None else frozenset(probes)

    def state(self, source: str, connected: bool, text: str) -> None:
        """Hear that a source came or went."""
        self._on_state(source, connected, text)

    def sink(self, *, waiting: bool) -> IntakeSink:
        """A `Sink` for drivers whose sender does not wait for an acknowledgement (serial): fewer, larger commits."""
        return IntakeSink(self, waiting)

    def readings(
        self, items: Sequence[Reading | Fault], *, waiting: bool = True, patience_s: float | None = None, source: object = None
    ) -> Future[tuple[Outcome, ...]]:
        """Take items in; the future gives their outcomes, in the order of `items`, once they are durable.

        Blocks while the queue is full, or half of it is of this `source` (None: anybody), `patience_s` at most (default: as the limits
        say); then the future fails with IntakeFull. While the store cannot be written the future stays open.
        """
        board = self._board
        stamped, now, epoch = (items, self._clock(), 0) if board is None else board.stamp(items)
        batch = _Batch(tuple(stamped), self._no_step(now), waiting, source, epoch)
        size = len(batch.items)
        if not size:
            batch.future.set_result(())
            return batch.future
        patience = self.limits.patience_s if patience_s is None else patience_s
        with self._room:
            free = self._room.wait_for(lambda: self._closed or self._fits(size, source), patience)
            if free and not self._closed:
                self._move(batch)  # time may have been put right while it waited for room
                self._put(batch)
                self._queued += size
                self._held[source] += size
            # One pull on its way takes whatever waits; one for each batch would pile up behind a backlog, and before the clock's ticks.
            coming = self._coming[True] or (not waiting and self._coming[False])
            idle = self._down or bool(coming)
        if self._closed:
            batch.future.set_exception(StoreClosed("readings are no longer taken in; start the service again"))
        elif not free:
            text = f"{size} readings found no room: {self._queued} already wait for the store; see to the store, or send them again"
            self._lose(batch, text)
            batch.future.set_exception(IntakeFull(text))
        elif not idle:
            self._submit(waiting)
        return batch.future

    def _fits(self, size: int, source: object) -> bool:
        """Whether a batch finds room: one larger than the queue once that is empty, one larger than its source's half once that is."""
        most, held = self.limits.queued, self._held[source] if source is not None else 0
        return not self._queued or (self._queued + size <= most and (not held or held + size <= most // 2))

    def _left(self, batch: _Batch) -> None:
        """A batch is no longer in the queue; called with the lock held."""
        self._queued -= len(batch.items)
        self._held[batch.source] -= len(batch.items)
        if not self._held[batch.source]:
            del self._held[batch.source]

    def _put(self, batch: _Batch) -> None:
        """Into the queue, ahead of a backlog. What is not late yet keeps its order, or waiting would make it late."""
        known = self._newest or {}
        batch.old = all(item.at < batch.received_at - _OLD and item.at < known.get(item.probe, 0) for item in batch.items)
        self._behind = min(self._behind, len(self._queue) - self._taken)
        if batch.old:
            self._queue.append(batch)
            self._behind += 1
        else:
            self._queue.insert(len(self._queue) - self._behind, batch)

    def close(self) -> None:
        """Take no more in, write what waits, and tell as lost what the store would not take. The writer stays open."""
        with self._room:
            self._closed = True
            self._room.notify_all()
            timer, self._timer = self._timer, None
        if timer is not None:
            timer.cancel()
        while self._queue:
            before = self._queued
            if self._submit(True) is None:
                break
            # Futures are set in order, in the writer's thread: once this one is, what hangs on the pull has run.
            self._writer.submit(_nothing).exception()
            if self._queued == before and not self._alone and not self._pulls:
                break
        with self._room:
            left = list(self._queue)
            self._queue.clear()
            self._queued = self._taken = 0
            self._held.clear()
        for batch in left:
            text = "the service ended before the store could be written; send these readings again"
            self._lose(batch, text)
            _fail(batch.future, StoreClosed(text))

    def put_right(self, shift: Span) -> None:
        """The board's time has become another: what waits goes with it, as far as it is not in the transaction that is open."""
        self._newest = None
        with self._room:
            self._shifts.append(shift)
            for batch in islice(self._queue, self._taken, None):
                self._move(batch)
            self._received_at = 0

    def _move(self, batch: _Batch) -> None:
        """Have a batch that was stamped in an earlier time go with all changes since; always from how it came, or two would add up."""
        changes = self._shifts[batch.epoch :]
        if self._board is None or not changes:
            return
        if batch.came is None:
            batch.came = (batch.items, batch.received_at)
        (items, received_at), shift = batch.came, sum(changes)
        batch.items = tuple(i._replace(at=right(i.at, received_at, shift)) for i in items)
        batch.received_at = received_at + shift

    def _no_step(self, now: Instant) -> Instant:
        """The service's clock; a small step back is held, a large one is told and followed."""
        if now < self._received_at:
            if self._received_at - now <= FUTURE_AHEAD:
                return self._received_at
            back = (self._received_at - now) / HOUR
            self._on_notice(f"the clock went back by {back:.2f} h, to {format_instant(now)}; check the time of this computer")
        self._received_at = now
        return now

    def _lose(self, batch: _Batch, text: str, *, again: bool = True) -> None:
        """Count what is not taken in; it is lost where its sender does not wait for an answer, or cannot send it `again` with more luck."""
        if batch.waiting and again:
            self.counts["turned-away"] += len(batch.items)
            return
        self.counts["lost"] += len(batch.items)
        self._on_loss(len(batch.items), text)

    def _submit(self, waiting: bool) -> Future[list[tuple[_Batch, tuple[Outcome, ...]]]] | None:
        begun: list[bool] = []

        def begin() -> None:
            """It is no longer on its way: once, whether it runs, runs again, or fails without having run."""
            with self._room:
                if not begun:
                    begun.append(True)
                    self._coming[waiting] -= 1

        def pull(conn: Connection) -> list[tuple[_Batch, tuple[Outcome, ...]]]:
            begin()
            return self._pull(conn)

        def done(future: Future[list[tuple[_Batch, tuple[Outcome, ...]]]]) -> None:
            begin()
            self._pulled(future)

        with self._room:
            self._pulls += 1
            self._coming[waiting] += 1
        try:
            future = self._writer.submit(pull, rows=0, waiting=waiting)  # how many it is to take shows when it runs
        except StoreClosed:
            return None
        future.add_done_callback(done)
        return future

    def _pull(self, conn: Connection) -> list[tuple[_Batch, tuple[Outcome, ...]]]:
        """In the writer's transaction: process the oldest batches that are not in it yet."""
        with self._room:
            batches, rows = [], 0
            for batch in islice(self._queue, self._taken, None):
                batches.append(batch)
                rows += len(batch.items)
                if self._alone or rows >= (_PULLED_OLD if batch.old else _PULLED):
                    break
            self._taken += len(batches)
            self._alone = max(0, self._alone - 1)
        if not batches:
            return []
        self._writer.count(rows)
        try:
            taken = list(zip(batches, self._take(conn, batches), strict=True))
        except Exception as error:
            if not isinstance(translate(error, ""), StoreUnavailable | StoreDamaged):
                self._part(batches, error)
            raise
        with self._room:
            more = len(self._queue) > self._taken and not self._coming[True] and not self._down
        if more:  # behind whatever else waits for the writer
            self._submit(True)
        return taken

    def _part(self, batches: list[_Batch], error: Exception) -> None:
        """Something in `batches` cannot be processed: try them one by one, or give up the one that is alone."""
        self._newest, self._parted = None, True
        with self._room:
            self._taken -= len(batches)
            if len(batches) > 1:
                self._alone = len(batches)
            else:
                self._queue.remove(batches[0])
                self._left(batches[0])
                self._room.notify_all()
        if len(batches) > 1:
            return
        size, what = len(batches[0].items), f"{type(error).__name__}: {error}"
        text = f"{size} readings could not be processed ({what}) and are not stored; tell who maintains the program"
        self._lose(batches[0], text, again=False)
        _fail(batches[0].future, error)

    def _pulled(self, future: Future[list[tuple[_Batch, tuple[Outcome, ...]]]]) -> None:
        """After the commit, or its failure; in the writer's thread."""
        error = future.exception()
        with self._room:
            self._pulls -= 1
        if error is not None and not self._parted:
            self._later(error)
            return
        self._parted = False
        done = [] if error is not None else future.result()
        with self._room:
            for batch, _ in done:
                self._queue.remove(batch)  # it stands at the head
                self._left(batch)
                self._taken -= 1
            recovered = self._down and (bool(done) or not self._queue)
            self._down = self._down and not recovered
            more = len(self._queue) > self._taken and not self._pulls and not self._down
            self._room.notify_all()
        for batch, outcomes in done:
            self._count(batch, outcomes)
            if batch.future.set_running_or_notify_cancel():
                batch.future.set_result(outcomes)
        if recovered:
            self._pause = self.limits.retry_s[0]
            self._on_trouble(None)
        if more:
            self._submit(True)

    def _count(self, batch: _Batch, outcomes: Sequence[Outcome]) -> None:
        """Count what became of each item; what a probe is turned away for is told once, since a wire has nobody to answer."""
        if outcomes.count(TAKEN) == len(outcomes):
            self.counts[TAKEN.what] += len(outcomes)
            return
        self.counts.update(outcome.what for outcome in outcomes)
        for item, outcome in zip(batch.items, outcomes, strict=True):
            if outcome.what in (UNKNOWN, REFUSED) and (outcome.what, item.probe) not in self._told and len(self._told) < _TOLD:
                self._told.add((outcome.what, item.probe))
                self._on_notice(outcome.text)

    def _later(self, error: BaseException) -> None:
        """Try again after a pause, twice as long each time, as long as something waits."""
        with self._room:
            if self._closed or self._timer is not None or not self._queue:
                return
            told, self._down = self._down, True
            pause, self._pause = self._pause, min(self._pause * 2, self.limits.retry_s[1])
            self._timer = threading.Timer(pause, self._retry)
            self._timer.daemon = True
            self._timer.start()
        if not told and isinstance(error, StoreError):
            self._on_trouble(error)

    def _retry(self) -> None:
        with self._room:
            if self._timer is None:
                return
            self._timer = None
        self._submit(True)

    def _rolled_back(self) -> None:
        """The writer undid its transaction: nothing at the head of the queue is in one, and `newest` is to be read again."""
        self._newest = None
        with self._room:
            self._taken = 0

    def _take(self, conn: Connection, batches: list[_Batch]) -> list[tuple[Outcome, ...]]:
        """Sort out what came, have the rest processed; the outcomes of each batch."""
        if self._newest is None:
            self._newest = {probe: found.at for probe, found in readings.newest_by_probe(conn).items()}
        sorting = Sorting(self._newest, self._known, self._offsets(conn))
        results = [sorting.look(conn, batch.items, batch.received_at) for batch in batches]
        if sorting.arrivals:
            self._process(conn, sorting.arrivals)
        return results


@dataclass(frozen=True, slots=True, eq=False)
class IntakeSink:
    """A `probes.driver.Sink` on an intake, with `waiting` fixed: one source, whose share of the queue is its own."""

    intake: Intake
    waiting: bool

    def readings(self, items: Sequence[Reading | Fault]) -> Future[object]:
        """Take items in, as `Intake.readings`."""
        # A future's type is invariant, though a driver only asks whether it is done.
        return cast("Future[object]", self.intake.readings(items, waiting=self.waiting, source=self))

    def state(self, source: str, connected: bool, text: str) -> None:
        """Hear that a source came or went."""
        self.intake.state(source, connected, text)


def _fail(future: Future[tuple[Outcome, ...]], error: BaseException) -> None:
    if future.set_running_or_notify_cancel():
        future.set_exception(error)


def _nothing(_conn: Connection) -> None:
    return None
