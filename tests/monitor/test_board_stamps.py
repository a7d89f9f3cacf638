"""What provisional time does to a reading's own stamp, the same each time that the reading is sent."""

from pathlib import Path

import pytest

from monitor.clock_board import BoardClock
from monitor.judge import read_plan
from monitor.store.database import Store
from rules.quantity import parse_instant
from rules.reading import SECOND, Instant, Reading, Span
from tests.bench.site import write_site

START = parse_instant("2026-03-02T08:00:00Z")


class Machine:
    """Its clocks run on with each look at either, by one to seven microseconds; nothing keeps the system's."""

    def __init__(self) -> None:
        self.up, self.wrong = 10 * SECOND, 0

    def steady(self) -> Span:
        self.up += 1 + self.up % 7
        return self.up

    def wall(self) -> Instant:
        return START + self.steady() + self.wrong


@pytest.fixture
def machine() -> Machine:
    return Machine()


@pytest.fixture
def board(machine: Machine, tmp_path: Path) -> BoardClock:
    """A clock in provisional time, with nothing stored yet."""
    clock = BoardClock(machine.wall, machine.steady, lambda: False, lambda: "a", lambda: False)
    write_site(tmp_path)
    with Store(tmp_path / "larderer.sqlite") as store, store.write() as conn:
        clock.begin(conn, read_plan(tmp_path / "plan.toml"))
    assert clock.provisional
    return clock


def test_reading_sent_again_bears_the_same_stamp(board: BoardClock, machine: Machine) -> None:
    reading = Reading("core-1", machine.wall() - SECOND, 4.0)
    stamps = {board.stamp([reading])[0][0].at for _ in range(20)}
    assert len(stamps) == 1


def test_system_clock_that_was_set_moves_stamps_once(board: BoardClock, machine: Machine) -> None:
    before = board.stamp([Reading("core-1", machine.wall(), 4.0)])[0][0].at
    machine.wrong = -30 * SECOND
    reading = Reading("core-1", machine.wall(), 4.0)
    after = [board.stamp([reading])[0][0].at for _ in range(20)]
    assert len(set(after)) == 1
    assert 0 < after[0] - before < SECOND
