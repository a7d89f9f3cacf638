"""Time is put right in one transaction, and nothing that fails or waits beside it shifts a reading twice or loses one."""

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Connection

from monitor import clock_restamp, ledger
from monitor.clock_board import remembered
from monitor.errors import RefusedError
from rules.reading import HOUR, MINUTE, Instant, Reading
from tests.monitor.clock.board import DAY, Board
from tests.waiting import until


def test_kill_between_trust_and_restamping_loses_nothing(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is owed stands in the store: the next start goes on, and each reading counts once at every moment."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    for n in range(20):
        board.read(100 - n)
        board.tick()
    monkeypatch.setattr(clock_restamp, "step", lambda *_: False)
    board.get_time()
    assert board.clock() == board.true
    assert len(board.judged()) == 50
    monkeypatch.undo()
    board.killed()
    assert board.clock() == board.true
    with board.service.store.read() as conn:
        boot, owed = remembered(conn), clock_restamp.owed(conn)
    assert boot is not None
    assert not boot.provisional
    assert owed is not None
    board.tick()
    board.tick()
    judged = board.judged()
    assert len(judged) == 50
    assert judged[-1].at == board.true


def test_job_that_is_undone_and_run_again_puts_time_right_once(anywhere: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another job of the same commit fails by a mistake of the program, and the writer runs the rest again: nothing is forgotten."""
    board = anywhere
    board.hot_lot()
    board.lose_the_time(5)
    board.set_clock()

    def held(_conn: object) -> None:
        assert looked.wait(10)

    def mistaken(_conn: object) -> None:
        raise ZeroDivisionError

    looked = threading.Event()
    writer = board.service.writer
    monkeypatch.setattr(board.service.pipeline, "_urgent", lambda: None)  # what is urgent would end the commit before the other job
    holding = writer.submit(held, waiting=False)
    board.service._look_after(board.clock())
    failed = writer.submit(mistaken)
    looked.set()
    assert isinstance(failed.exception(10), ZeroDivisionError)
    holding.result(10)
    for _ in range(3):
        board.tick()
    assert len(board.entries("trusted")) == 1
    assert [one["readings"] for one in board.entries("restamped")] == [5]
    assert board.judged()[-1].at == board.true
    assert len(board.judged()) == 35


def test_another_upkeep_job_that_is_refused_shifts_no_reading_twice(anywhere: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """It fails in the commit in which time is put right, and a reading comes before anybody has heard of that."""
    board = anywhere
    board.hot_lot()
    board.lose_the_time(5)
    board.set_clock()
    writer, caretaker = board.service.writer, board.service.caretaker
    monkeypatch.setattr(board.service.pipeline, "_urgent", lambda: None)  # one commit for all that follows
    submit, look = writer.submit, caretaker.look
    refused: list[Instant] = []

    def refuse_once(conn: Connection, now: Instant) -> None:
        if not refused:
            refused.append(now)
            raise RefusedError("the upkeep cannot be done now")
        look(conn, now)

    def slow_to_hear(job: Callable[[Connection], Any], **how: Any) -> Future[Any]:
        future = submit(job, **how)
        if job.__name__ == "upkeep" and not refused:
            until(lambda: refused, "the refusal")
            board.read(95)
            board.taken[-1].result(10)
        return future

    monkeypatch.setattr(caretaker, "look", refuse_once)
    monkeypatch.setattr(writer, "submit", slow_to_hear)
    board.service._look_after(board.clock())
    assert refused
    for _ in range(3):
        board.tick()
    assert board.judged()[-1].at == board.true
    assert len(board.judged()) == 36
    assert len(board.entries("trusted")) == 1


def test_time_is_put_right_while_judging_has_stopped(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was stored is put right at once; that it is judged again is owed until judging goes on."""
    board.hot_lot()
    board.lose_the_time(5)

    def stopped(*_: object) -> None:
        raise RefusedError("judging has stopped")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(board.service.pipeline, "rejudge", stopped)
        board.get_time()
        assert board.clock() == board.true
        assert board.judged()[-1].at == board.true
        assert board.clock.unsettled
    board.tick()
    assert not board.clock.unsettled
    assert len(board.entries("restamped")) == 1
    assert board.verdict("cooling") == "unproven"


def test_time_that_is_not_put_right_after_all_moves_only_what_went_with_it(anywhere: Board) -> None:
    """A reading in the transaction that was undone keeps its stamp; both it and one that waits are right in the end."""
    board = anywhere
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.set_clock()
    begun, go = threading.Event(), threading.Event()

    def spoilt(conn: Connection) -> None:
        begun.set()
        assert go.wait(10)
        board.service.keeper.look(conn)
        raise ZeroDivisionError

    writer, intake = board.service.writer, board.service.intake
    board.wrong = -3 * DAY
    board.read(100)
    first = board.true
    failed = writer.submit(spoilt)
    assert begun.wait(10)
    board.read(99)
    second = board.true
    board.wrong = 0
    go.set()
    assert isinstance(failed.exception(10), ZeroDivisionError)
    for _ in range(3):
        board.tick()
    assert intake.queued == 0
    assert [r.at for r in board.judged()[-2:]] == [first, second]
    assert len(board.judged()) == 32


def test_reading_that_waited_for_room_while_time_was_put_right_goes_with_it(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """It was stamped before and queued after: its stamp is the right one all the same."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    intake, writer = board.service.intake, board.service.writer
    monkeypatch.setattr(board.service.pipeline, "_urgent", lambda: None)  # one commit for all that follows
    intake.limits = replace(intake.limits, queued=1)
    held, go = threading.Event(), threading.Event()

    def hold(_conn: object) -> None:
        held.set()
        assert go.wait(10)

    holding = writer.submit(hold, waiting=False)
    assert held.wait(10)
    board.move(MINUTE)
    first = board.true
    intake.readings([Reading("core-1", board.wall(), 30.0)], patience_s=0)
    board.move(MINUTE)
    second = board.true
    waited: list[Future[Any]] = []
    late = Reading("core-1", board.wall(), 29.0)
    stamped = threading.Event()
    stamp = board.clock.stamp
    board.clock.stamp = lambda *items: (stamp(*items), stamped.set())[0]  # type: ignore[method-assign]
    driver = threading.Thread(target=lambda: waited.append(intake.readings([late], patience_s=20)))
    driver.start()
    assert stamped.wait(10)
    board.set_clock()
    board.service._look_after(board.clock())
    go.set()
    driver.join(20)
    waited[0].result(10)
    holding.result(10)
    for _ in range(3):
        board.tick()
    assert [r.at for r in board.judged()[-2:]] == [first, second]


def test_power_cut_while_time_is_put_right_and_again_no_time(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is owed of the boot before goes on in provisional time, and the new boot is put right after it."""
    board.hot_lot()
    board.lose_the_time(12, sealed=True)
    right = [board.true - n * MINUTE for n in range(12)][::-1]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clock_restamp, "_ROWS", 3)
        board.get_time()
        with board.service.store.read() as conn:
            assert any(one.next_seq < one.below_seq for one in clock_restamp.owed(conn))
        board.power_cut(HOUR, -3 * DAY)
        assert board.clock.provisional
        board.read(60)
        right.append(board.true)
        for _ in range(6):
            board.tick()
    assert board.clock.provisional
    assert not board.clock.settling
    assert [r.at for r in board.judged()[30:42]] == right[:12]
    assert "clock/provisional" in board.ringing()
    board.get_time()
    assert [r.at for r in board.judged()[30:]] == right
    assert "clock/provisional" not in board.ringing()


def test_weeks_of_seals_are_each_read_once(board: Board) -> None:
    """What is stored again costs as many seals as there are, not each of them for every block."""
    board.hot_lot()
    board.lose_the_time(12, sealed=True)
    read: list[int] = []
    was = ledger._read

    def counted(conn: Connection, query: Any) -> Iterator[ledger.Entry]:
        for entry in was(conn, query):
            if entry.kind == ledger.SEAL:
                read.append(entry.seq)
            yield entry

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ledger, "_read", counted)
        board.get_time()
    assert [one["readings"] for one in board.entries("restamped")] == [12]
    assert max(read.count(seq) for seq in set(read)) <= 4
