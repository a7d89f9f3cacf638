"""A boot that ended before its time was known: put where it makes nothing look better, and told."""

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.clock_board import blind_span
from monitor.clock_desk import ClockDesk
from rules.quantity import fahrenheit, format_instant
from rules.reading import HOUR, MINUTE, SECOND, Reading
from tests.ferncliff import ODILE
from tests.monitor.clock.board import DAY, NEVER, PLAN, TAM, UP, WARM, Board


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
    board.open_lot()
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
    records = {one["lot"]: one["text"] for one in board.service.desk.deviations() if one["verdict"] == "unforeseen"}
    assert set(records) == {"J-1", "J-2"}, "the time forgiven to J-1 is forgiven anew in each excursion; J-3 began and ended in it"
    assert "10 h" in records["J-2"] or "9 h" in records["J-2"], records
    assert "clock/undated/J-2" in board.ringing()
    board.end_lot()
    lot = next(one for one in board.lots() if one["lot"] == "J-1")
    assert {one["limit"]: one["verdict"] for one in lot["limits"]} == {"warm": "unproven", "door": "unproven"}


def test_lot_that_went_through_with_nothing_begun_or_ended_asks_nobody(board: Board) -> None:
    """All the time that passed is judged, wherever that boot lay in it."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.read(100)
    board.power_cut(HOUR, 0, kept=True)
    board.read(90)
    for _ in range(4):
        board.tick()
    assert [one for one in board.service.desk.deviations() if one["verdict"] == "unforeseen"] == []


def _unforeseen(board: Board) -> set[str]:
    return {one["lot"] for one in board.service.desk.deviations() if one["verdict"] == "unforeseen"}


def _through_a_boot_without_the_time(board: Board) -> None:
    """The power goes for an hour and once more: a boot whose clock is days behind lies between, and the next one knows the time."""
    board.power_cut(HOUR, -3 * DAY)
    board.read(30)
    board.power_cut(HOUR, 0, kept=True)
    board.read(30)
    for _ in range(4):
        board.tick()


def test_lot_of_an_earlier_plan_that_forgives_time_asks_a_person_too(at_most: Board) -> None:
    """It is judged by the plan in force at its start, in which the ceiling was, though the plan of now has none."""
    board = at_most
    board.read(30)
    board.config.plan.write_text(PLAN, encoding="utf-8")
    board.restart()
    _through_a_boot_without_the_time(board)
    assert _unforeseen(board) == {"J-1"}


def test_lot_open_for_longer_than_sixty_others_asks_a_person_too(at_most: Board) -> None:
    """A dry-cured lot hangs for months while the others come and go."""
    board = at_most
    board.read(30)
    for n in range(61):
        board.service.desk.start_lot(ODILE, "juniper-links", lot=f"K-{n}")
        board.move(SECOND)
        board.service.desk.end(ODILE, f"K-{n}")
        board.move(SECOND)
    _through_a_boot_without_the_time(board)
    assert _unforeseen(board) == {"J-1"}


def test_lot_that_ended_after_a_boot_whose_clock_was_years_ahead_asks_a_person_too(at_most: Board) -> None:
    """Its end is put right before that boot is given its place, and then lies before the boot's provisional time."""
    board = at_most
    board.read(30)
    board.power_cut(HOUR, 900 * DAY)
    board.read(30)
    board.power_cut(HOUR, 900 * DAY)
    board.read(30)
    board.service.desk.end(ODILE, "J-1")
    board.move(MINUTE)
    board.get_time()
    for _ in range(4):
        board.tick()
    assert not board.clock.unsettled
    assert _unforeseen(board) == {"J-1"}


def test_what_was_measured_and_finds_no_place_asks_a_person(board: Board) -> None:
    """Between two short power cuts the core was warm: left out, nothing says so any more, and the hold goes on over it."""
    board.open_lot()
    for _ in range(15):
        board.read(50)
    board.power_cut(2 * MINUTE, -3 * DAY)
    for _ in range(5):
        board.read(70)
    board.power_cut(2 * MINUTE, 0, kept=True)
    for _ in range(8):
        board.read(50)
    for _ in range(4):
        board.tick()
    assert board.verdict("hold") == "met"
    assert [entry.get("left_out") for entry in board.entries("restamped")] == [5]
    assert _unforeseen(board) == {"J-1"}
    assert "clock/undated/J-1" in board.ringing()


#: A cooler that is watched by the day, whether a lot is in it or not.
_STANDING = PLAN.replace(
    "[[product]]",
    """[[probe]]
id = "air-1"
place = "cooler"
room = "cooler-1"
uncertainty = "0 °F"
[[standing]]
room = "cooler-1"
[[standing.limit]]
name = "cooler air"
kind = "ceiling"
class = "critical"
place = "cooler"
max = "40 °F"
allowed = "60 min"
source = "invented for this test"
[[product]]""",
    1,
)


def test_standing_limit_that_forgives_time_asks_a_person_about_its_room(tmp_path: Path) -> None:
    """The cooler was warm from the end of such a boot to the start of the next: by how long that was, it may be beyond what is forgiven."""
    board = Board(tmp_path, _STANDING)

    def air(degrees: float) -> None:
        board.move(MINUTE)
        board.taken.append(board.service.intake.readings([Reading("air-1", board.wall(), fahrenheit(degrees))]))

    air(35)
    board.power_cut(8 * HOUR, -3 * DAY)
    for degrees in (35, 45):
        air(degrees)
    board.power_cut(10 * HOUR, 0, kept=True)
    for degrees in (45, 35):
        air(degrees)
    for _ in range(4):
        board.tick()
    (record,) = [one for one in board.service.desk.deviations() if one["verdict"] == "unforeseen"]
    assert record["lot"] == ""
    assert record["text"].startswith("cooler-1: ")
    assert "clock/undated/room/cooler-1" in board.ringing()
    board.service.close()


def test_boot_that_is_placed_by_a_person_s_word_asks_a_person(board: Board) -> None:
    """A watch that was an hour fast is put right by the network, and then the boot lies nearer to what was known than any gap."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.read(100)
    board.power_cut(10 * MINUTE, -4 * DAY)
    board.read(90)
    board.tick()
    fast = format_instant(board.true + HOUR)
    ClockDesk(board.service.desk, board.service.keeper).set(TAM, fast)
    for _ in range(4):
        board.tick()
    assert _unforeseen(board) == {"J-1"}


def test_very_first_start_of_a_board_without_the_time(tmp_path: Path) -> None:
    """Nothing is stored yet: its first boot is put before the second, in which the time is known; a lot that goes on asks a person."""
    board = Board(tmp_path, wrong=-400 * DAY)
    assert board.clock.provisional
    board.hot_lot()
    board.power_cut(HOUR, 0, kept=True)
    first, gap = board.true, blind_span(board.service.plan)
    board.read(60)
    for _ in range(4):
        board.tick()
    judged = board.judged()
    assert len(judged) == 31
    assert judged[-2].at <= first - gap < judged[-2].at + 2 * MINUTE
    (told,) = board.entries("between")
    assert told["between"] == ["", format_instant(first)]
    (text,) = [one["text"] for one in board.service.desk.deviations() if one["verdict"] == "unforeseen"]
    assert "is known to lie before 2026-03-02" in text
    board.service.close()


#: No ceiling that forgives: such a lot asks a person.
_THROUGH = PLAN + WARM + NEVER + UP


def _no_better(folders: pytest.TempPathFactory, away: tuple[int, int], degrees: list[list[float]]) -> None:
    """A lot open before and after a boot without the time: `met` there is met on a board that kept its time through both power cuts."""
    lots = []
    for kept in (False, True):
        board = Board(folders.mktemp("undated"), _THROUGH)
        board.open_lot()
        for read, gone in zip(degrees, (*away, 0), strict=True):
            for one in read:
                board.read(one)
            board.tick()
            if gone:
                last = read is degrees[1]
                board.power_cut(gone * MINUTE, 0 if kept or last else -3 * DAY, kept=kept or last)
        board.service.desk.end(ODILE, "J-1")
        board.move(SECOND)
        for _ in range(6):
            board.tick()
        assert not board.clock.unsettled
        lots.append({one["limit"]: one["verdict"] for one in board.lots()[0]["limits"]})
        board.service.close()
    unknown, right = lots
    assert [name for name in right if unknown[name] == "met" and right[name] != "met"] == [], (unknown, right)


@pytest.mark.parametrize("away", [(2, 2), (20, 20), (45, 10), (10, 45), (100, 100), (5, 250), (250, 5)])
def test_lot_of_a_boot_without_the_time_is_met_only_where_it_is_by_the_right_one(
    tmp_path_factory: pytest.TempPathFactory, away: tuple[int, int]
) -> None:
    """Power cuts too short to be gaps, too long for the limits, and both ways round."""
    _no_better(tmp_path_factory, away, [[40] * 5, [40] * 5, [30] * 25])


_DEGREES = st.lists(st.floats(35, 150), min_size=1, max_size=25)


@pytest.mark.full
@pytest.mark.timeout(1800)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(away=st.tuples(st.integers(1, 400), st.integers(1, 400)), degrees=st.tuples(_DEGREES, _DEGREES, _DEGREES))
def test_lot_of_a_boot_without_the_time_is_met_only_where_it_is_by_the_right_one_for_any_readings(
    tmp_path_factory: pytest.TempPathFactory, away: tuple[int, int], degrees: tuple[list[float], ...]
) -> None:
    """The same for any readings and any two power cuts."""
    _no_better(tmp_path_factory, away, list(degrees))
