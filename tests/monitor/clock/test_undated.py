"""A boot that ended before its time was known: put where it makes nothing look better, and told."""

from itertools import pairwise

import pytest

from monitor.clock_board import blind_span
from rules.quantity import format_instant
from rules.reading import HOUR, MINUTE, SECOND
from tests.monitor.clock.board import AT_MOST, DAY, ODILE, Board


@pytest.mark.parametrize("known_at_once", [True, False])
def test_boot_that_ended_without_the_time_is_put_before_the_first_instant_that_is_known(board: Board, known_at_once: bool) -> None:
    """Two such boots: each reading counts once, in order, between what was known before and after, with gaps; and that is told."""
    board.hot_lot()
    before, gap = board.true, blind_span(board.service.plan)
    for _ in range(2):
        board.power_cut(3 * HOUR, -3 * DAY)
        for n in range(20):
            board.read(100 - n)
        board.tick()
    board.power_cut(3 * HOUR, 0 if known_at_once else -4 * DAY, kept=known_at_once)
    first = board.true
    board.read(60)
    if not known_at_once:
        assert board.clock.provisional
        board.get_time()
    for _ in range(6):
        board.tick()
    assert not board.clock.unsettled
    assert board.clock() == board.true
    judged = board.judged()
    assert len(judged) == 71
    one, other = judged[30:50], judged[50:70]
    assert judged[70].at == board.true
    assert judged[29].at == before
    assert other[-1].at <= first - gap < other[-1].at + MINUTE
    assert one[-1].at <= other[0].at - gap < one[-1].at + 2 * MINUTE
    assert [b.at - a.at for a, b in pairwise(other)] == [MINUTE] * 19, "within a boot the steady clock knows"
    told = board.entries("between")
    assert [entry["between"] for entry in told] == [[format_instant(before), format_instant(first)]] * 2
    assert len(board.entries("restamped")) == (2 if known_at_once else 3)


def test_boot_without_the_time_and_no_room_for_gaps_is_not_bridged(board: Board) -> None:
    """Three power cuts of twelve minutes: what might lie nearer to what was known than any gap is not judged; no hold is met over them."""
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
    board.service.desk.place(ODILE, "J-1", "core-1")
    for _ in range(8):
        board.read(50)
    board.tick()
    for _ in range(2):
        board.power_cut(12 * MINUTE, -3 * DAY)
        for _ in range(8):
            board.read(50)
        board.tick()
    board.power_cut(12 * MINUTE, 0, kept=True)
    for _ in range(8):
        board.read(50)
    for _ in range(6):
        board.tick()
    assert board.verdict("hold") == "open"
    assert [entry.get("left_out") for entry in board.entries("restamped")] == [8, 8]
    assert len(board.judged()) == 16


def test_lot_that_began_something_in_a_boot_without_the_time_asks_a_person(at_most: Board) -> None:
    """How long before it and after it nobody knows: a record, which keeps the day from being signed, names the longest."""
    board = at_most
    for _ in range(5):
        board.read(40)
    board.power_cut(5 * HOUR, -3 * DAY)
    board.read(30)
    desk = board.service.desk
    desk.start_lot(ODILE, "juniper-links", lot="J-2")
    board.read(30)
    desk.start_lot(ODILE, "juniper-links", lot="J-3")
    board.read(30)
    desk.end(ODILE, "J-3")
    board.read(30)
    board.power_cut(5 * HOUR, 0, kept=True)
    board.read(30)
    for _ in range(4):
        board.tick()
    (record,) = [one for one in board.service.desk.deviations() if one["verdict"] == "unforeseen"]
    assert record["lot"] == "J-2", "J-1 went through it with nothing begun or ended, J-3 began and ended in it"
    assert "10 h" in record["text"] or "9 h" in record["text"], record["text"]
    assert "clock/undated/J-2" in board.ringing()
    board.service.desk.end(ODILE, "J-1")
    board.move(SECOND)
    board.tick()
    lot = next(one for one in board.lots() if one["lot"] == "J-1")
    assert {one["limit"]: one["verdict"] for one in lot["limits"]} == {"warm": "unproven", "door": "unproven"}


def test_lot_of_a_boot_without_the_time_ends_no_better_than_by_the_right_one(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A lot open before and after, held against a board that kept its time through the same two power cuts."""
    for minutes in (20, 45, 100, 250):
        lots = []
        for kept in (False, True):
            board = Board(tmp_path_factory.mktemp("undated"), AT_MOST)
            board.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
            board.service.desk.place(ODILE, "J-1", "core-1")
            for away in (minutes, minutes):
                for _ in range(5):
                    board.read(40)
                board.power_cut(away * MINUTE, 0 if kept else -3 * DAY, kept=kept)
            for _ in range(5):
                board.read(30)
            board.service.desk.end(ODILE, "J-1")
            board.move(SECOND)
            board.get_time()
            for _ in range(5):
                board.tick()
            assert not board.clock.unsettled
            lots.append({one["limit"]: _RANK[one["verdict"]] for one in board.lots()[0]["limits"]})
            board.service.close()
        unknown, right = lots
        assert all(unknown[name] >= right[name] for name in right), (minutes, unknown, right)


_RANK = {"met": 0, "open": 1, "unproven": 2, "deviated": 3}
