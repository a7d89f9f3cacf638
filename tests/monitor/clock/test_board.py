"""A board without a clock battery: read, kept and judged at once, told, and put right once the time is known."""

import csv
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor import ledger
from monitor.clock_board import blind_span, newest_instant
from monitor.export.day import export_day
from monitor.judge import judge_files
from monitor.store import plans, readings
from rules.limits.spec import Cooling
from rules.quantity import format_instant, local, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Reading
from tests.monitor.clock.board import DAY, ODILE, PLAN, START, Board


def test_board_three_days_behind_gets_the_time_after_forty_minutes(board: Board) -> None:
    """Judged at once behind what is stored, told, and put right by three days: what was stored stays, the rest is where it belongs."""
    board.hot_lot()
    before = board.true
    board.power_cut(2 * HOUR, -3 * DAY)
    assert board.clock() == before + blind_span(board.service.plan), "provisional time is a gap behind what is stored, not in the past"
    assert "clock/provisional" in board.ringing()
    for n in range(40):
        board.read(100 - n)
        board.tick()
    begun = board.true - 39 * MINUTE
    assert board.entries("trusted") == []
    board.get_time()
    assert board.clock() == board.true
    assert "clock/provisional" not in board.ringing()
    (trusted,) = board.entries("trusted")
    assert (parse_instant(trusted["blind_from"]), parse_instant(trusted["blind_to"])) == (before, begun - MINUTE)
    (done,) = board.entries("restamped")
    assert done["readings"] == 40
    judged = board.judged()
    assert len(judged) == 70
    assert [r.at for r in judged[30:]] == [begun + n * MINUTE for n in range(40)]
    with board.service.store.read() as conn:
        assert readings.count(conn) == 110, "what is stored stays as it came"
    assert board.verdict("cooling") == "deviated", "the two hours that nobody saw have passed the first mark"


def test_board_that_never_gets_the_time_judges_alarms_and_tells(board: Board) -> None:
    """Hours on provisional time: it moves with the steady clock, limits ring, a restart in the same boot goes on, and it is told."""
    board.hot_lot()
    board.power_cut(10 * MINUTE, -3 * DAY)
    first = board.clock()
    board.read(110)
    board.restart()
    board.move(MINUTE)
    assert board.clock() == first + 2 * MINUTE, "the same boot keeps its provisional time to the microsecond"
    for _ in range(90):
        board.read(110)
        board.tick()
    assert board.verdict("cooling") == "deviated"
    assert "clock/provisional" in board.ringing()
    assert len(board.entries("provisional")) == 1
    board.power_cut(HOUR, -2 * DAY)
    assert "keeps its provisional time" in board.entries("provisional")[-1]["before"]


def test_gap_of_unknown_length_is_never_bridged(board: Board) -> None:
    """A hold that needs twenty minutes on end is not met by minutes on both sides of a power cut, however near the clock says they are."""
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
    board.service.desk.place(ODILE, "J-1", "core-1")
    for _ in range(15):
        board.read(50)
    board.tick()
    board.power_cut(HOUR, -HOUR + 5 * SECOND)  # the clock was saved: it seems that five seconds have passed
    for _ in range(10):
        board.read(50)
        board.tick()
    assert board.verdict("hold") == "open"
    board.get_time()
    assert board.verdict("hold") == "open"


def test_gap_is_not_bridged_for_a_lot_of_an_earlier_plan_either(board: Board) -> None:
    """The plan bridges shorter gaps than the one by which the open lot is judged: that one's counts."""
    plan = board.config.plan.read_text(encoding="utf-8")
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
    board.service.desk.place(ODILE, "J-1", "core-1")
    for _ in range(15):
        board.read(50)
    board.config.plan.write_text(
        plan.replace('kind = "dwell"', 'kind = "dwell"\nmax_gap = "2 min"').replace(
            'kind = "cooling"', 'kind = "cooling"\nmax_gap = "2 min"'
        )
    )
    before = board.true
    board.power_cut(HOUR, -3 * DAY)
    assert board.clock() - before == 31 * MINUTE, "30 min are bridged by a dwell of the earlier plan"
    for _ in range(10):
        board.read(50)
        board.tick()
    assert board.verdict("hold") == "open"


@pytest.mark.parametrize("wrong", [-3 * DAY, 400 * DAY])
def test_plan_that_changed_in_provisional_time_does_not_reach_back_to_a_lot_before_it(board: Board, wrong: int) -> None:
    """A lot is judged by the plan in force at its start: its right time is not to be held against the wrong one of the plan."""
    board.read(100)
    board.power_cut(HOUR, wrong)
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
    board.service.desk.place(ODILE, "J-1", "core-1")
    board.read(140)
    board.config.plan.write_text(PLAN.replace('"90 min"', '"30 h"').replace('"5 h"', '"50 h"'), encoding="utf-8")
    board.restart()
    board.read(130)
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-2")
    board.read(120)
    board.get_time()
    for _ in range(4):
        board.tick()
    assert not board.clock.unsettled
    within = {}
    for lot in ("J-1", "J-2"):
        limit = board.service.pipeline._limit(lot, "chill", "cooling")
        assert limit is not None
        assert isinstance(limit.rule, Cooling)
        within[lot] = limit.rule.windows[0].within
    assert within == {"J-1": 90 * MINUTE, "J-2": 30 * HOUR}
    with board.service.store.read() as conn:
        changes = [one.since for one in plans.between(conn, 0, board.true)]
        assert len(changes) == 2, "neither is still to come"
        assert board.true - changes[1] == 2 * MINUTE


def test_plan_that_changed_in_a_boot_without_the_time_does_not_reach_back_either(board: Board) -> None:
    """Both are given their place together."""
    board.read(100)
    board.power_cut(HOUR, -3 * DAY)
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
    board.read(140)
    board.config.plan.write_text(PLAN.replace('"90 min"', '"30 h"').replace('"5 h"', '"50 h"'), encoding="utf-8")
    board.restart()
    board.read(130)
    board.power_cut(3 * HOUR, 0, kept=True)
    board.read(120)
    for _ in range(4):
        board.tick()
    assert not board.clock.unsettled
    limit = board.service.pipeline._limit("J-1", "chill", "cooling")
    assert limit is not None
    assert isinstance(limit.rule, Cooling)
    assert limit.rule.windows[0].within == 90 * MINUTE


def test_plan_of_a_very_first_start_that_was_ahead_is_in_force(tmp_path: Path) -> None:
    """Its days are exported: they are those of a plan."""
    board = Board(tmp_path, wrong=400 * DAY)
    board.read(100)
    board.get_time()
    for _ in range(4):
        board.tick()
    with board.service.store.read() as conn:
        assert plans.in_force(conn, board.true) is not None
    board.service.close()


def test_board_that_was_years_ahead_goes_on_by_the_right_time(board: Board) -> None:
    """Seals come every ten minutes, and the next start, again without the time, begins where the right time left off."""
    board.read(100)
    board.power_cut(HOUR, 400 * DAY)
    board.read(100)
    board.get_time()
    first = board.true
    for n in range(40):
        board.read(90 - n)
        board.tick()
    with board.service.store.read() as conn:
        sealed = [e.entered_at for e in ledger.entries(conn, kind=ledger.SEAL) if first < e.entered_at <= board.true]
    assert len(sealed) >= 3
    board.power_cut(HOUR, -3 * DAY)
    assert board.clock.provisional
    assert board.clock() < board.true
    board.get_time()
    for _ in range(4):
        board.tick()
    assert not board.clock.unsettled
    assert board.clock() == board.true


def test_nothing_of_a_clock_years_ahead_is_taken_for_known_once_it_is_put_right(board: Board) -> None:
    """A power cut in that very moment must not have the next start count from there."""
    board.read(100)
    board.power_cut(HOUR, 400 * DAY)
    board.read(100)
    board.tick()
    board.wrong, board.kept = 0, True
    assert board.service.writer.submit(board.service.keeper.look).result()
    with board.service.store.read() as conn:
        assert newest_instant(conn) <= board.true


def test_judging_that_stopped_years_ahead_is_tried_again_by_the_right_time(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """What it was last tried at is still to come then."""
    board.read(100)
    board.power_cut(HOUR, 400 * DAY)

    def stopped(*_: object) -> None:
        raise ZeroDivisionError

    with monkeypatch.context() as patch:
        patch.setattr(board.service.judging, "feed", stopped)
        board.read(100)
        board.tick()
    assert "judging" in board.ringing()
    board.get_time()
    for _ in range(6):
        board.read(90)
        board.tick()
    assert not [key for key in board.ringing() if key.startswith("judging")]
    assert not board.clock.unsettled


def test_clock_that_is_set_back_to_the_right_time_is_followed(board: Board) -> None:
    """It started a week ahead: what was stamped ahead comes back to its place, and what is read next is the newest again."""
    board.hot_lot()
    board.power_cut(5 * MINUTE, 7 * DAY)
    for n in range(12):
        board.read(109 - n)
        board.tick()
    board.get_time()
    assert board.clock() == board.true
    board.read(96)
    board.tick()
    judged = board.judged()
    assert judged[-1].at == board.true
    assert len(judged) == 43
    with board.service.store.read() as conn:
        newest = readings.newest_by_probe(conn)["core-1"].reading
    assert newest is not None
    assert newest.at == board.true
    assert board.verdict("cooling") == "open"


def test_reading_whose_source_knew_the_time_keeps_it(board: Board) -> None:
    """A gateway with the right time seems ahead of the board and is not judged yet; once time is trusted it stands where it said."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.move(MINUTE)
    said = board.true
    (outcome,) = board.service.intake.readings([Reading("core-1", said, 30.0)]).result(10)
    assert outcome.what == "future"
    board.get_time()
    assert board.judged()[-1].at == said


def test_entry_of_a_person_in_provisional_time_goes_with_it(board: Board) -> None:
    """A lot started before the time was known starts, in every record, when it was started."""
    board.read(40)
    board.tick()
    board.power_cut(HOUR, -3 * DAY)
    started = board.true
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-2")
    board.service.desk.place(ODILE, "J-2", "core-1")
    board.read(50)
    board.get_time()
    (lot,) = board.lots()
    assert parse_instant(lot["started"]) == started
    assert board.service.desk.lot("J-2")["started"] == format_instant(started)


def test_export_after_restamping_is_judged_to_the_same(board: Board, tmp_path: Path) -> None:
    """readings.csv has the right times alone, unjudged.csv the stamps as they came, and judging them again gives lots.json."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    for n in range(20):
        board.read(100 - n)
        board.tick()
    board.get_time()
    service = board.service
    day = f"{local(START, service.plan.site.zone):%Y-%m-%d}"
    folder = export_day(service.store, day, tmp_path / "out", service.key, now=board.clock(), live=service.pipeline.report()).path
    assert any("unjudged" in path.name for path in folder.iterdir())
    with (folder / "readings.csv").open(newline="") as rows:
        assert len(list(csv.DictReader(rows))) == 50
    with (folder / "unjudged.csv").open(newline="") as rows:
        assert len(list(csv.DictReader(rows))) == 20
    again = judge_files(folder / "plan.toml", folder / "readings.csv", folder / "events.csv")
    assert json.loads((folder / "lots.json").read_text())["lots"] == json.loads(json.dumps(again))["lots"]


def _live(board: Board, before: Sequence[float], after: Sequence[float], cut: Callable[[], None]) -> list[dict[str, Any]]:
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
    board.service.desk.place(ODILE, "J-1", "core-1")
    for degrees in before:
        board.read(degrees)
    board.tick()
    cut()
    for degrees in after:
        board.read(degrees)
    board.tick()
    board.get_time()
    try:
        return board.lots()
    finally:
        board.service.close()


_DEGREES = st.lists(st.floats(35, 150), min_size=1, max_size=30)
_WRONG = st.one_of(st.integers(-9 * 24 * 60, -10), st.integers(10, 9 * 24 * 60))


def _same_as_right(folders: pytest.TempPathFactory, before: Sequence[float], after: Sequence[float], away: int, wrong: int) -> None:
    """Hold a board that started `wrong` minutes off against one that kept its time through the same power cut."""
    one, other = Board(folders.mktemp("wrong")), Board(folders.mktemp("right"))

    def right() -> None:
        other.power_cut(away * MINUTE, 0)
        other.service.close()
        other.kept, other.boot = True, "c"
        other.open()

    was = _live(one, before, after, lambda: one.power_cut(away * MINUTE, wrong * MINUTE))
    assert was == _live(other, before, after, right)


@pytest.mark.parametrize(("away", "wrong"), [(2, -4000), (300, -4000), (45, 20)])
def test_verdict_after_restamping_is_that_of_the_right_time(tmp_path_factory: pytest.TempPathFactory, away: int, wrong: int) -> None:
    """A board that started wrong, and one that kept its time through the same power cut, end with the same lots."""
    _same_as_right(tmp_path_factory, [140 - 2 * n for n in range(25)], [90 - 2 * n for n in range(25)], away, wrong)


@pytest.mark.full
@pytest.mark.timeout(1200)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(before=_DEGREES, after=_DEGREES, away=st.integers(2, 600), wrong=_WRONG)
def test_verdict_after_restamping_is_that_of_the_right_time_for_any_readings(
    tmp_path_factory: pytest.TempPathFactory, before: list[float], after: list[float], away: int, wrong: int
) -> None:
    """The same for any readings, any power cut and any wrong time."""
    _same_as_right(tmp_path_factory, before, after, away, wrong)
