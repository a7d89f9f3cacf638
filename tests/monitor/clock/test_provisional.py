"""What is told while time is provisional: that it is, and no verdict that a longer power cut would take back."""

import asyncio
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor import clock_restamp, judging, ledger, people, provisional
from monitor.alarms.bells import ProgramBell
from monitor.config import BellConfig
from monitor.errors import RefusedError, StoreFailed
from monitor.export.day import export_day
from rules.quantity import local
from rules.reading import HOUR, MINUTE, SECOND
from tests.ferncliff import ODILE, START
from tests.monitor.clock.board import AT_MOST, COOLING, DAY, NEVER, TAM, UP, Board, core_limit
from tests.waiting import until


def test_pages_say_that_time_is_provisional(board: Board) -> None:
    """The first page, the lots and the lot's page say so beside every verdict, in the part that renews itself too, until it is known."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.service.writer.submit(lambda conn: people.set_secret(conn, "Odile Marsh", "provisional-pin-1", board.clock())).result(10)

    async def told() -> list[int]:
        door = httpx.ASGITransport(board.service.app, client=("127.0.0.1", 1))
        async with httpx.AsyncClient(transport=door, base_url="http://127.0.0.1") as client:
            await client.post("/sign-in", data={"name": "Odile Marsh", "secret": "provisional-pin-1"})
            paths = ("/", "/lots", "/lots/J-1", "/alarms", "/?part=1", "/lots/J-1?part=1", "/lots?part=1")
            answers = [await client.get(path) for path in paths]
        assert [answer.status_code for answer in answers] == [200] * 7
        return [answer.text.count("Time here is provisional") for answer in answers]

    assert asyncio.run(told()) == [1] * 7
    board.get_time()
    assert asyncio.run(told()) == [0] * 7


def test_limit_that_a_longer_power_cut_would_break_is_not_told_as_met(at_most: Board) -> None:
    """For the gap judged it is met; it waits, in every answer, until time is known, and is `deviated` and `unproven` then."""
    board = at_most
    for _ in range(5):
        board.read(40)
    board.power_cut(5 * HOUR, -3 * DAY)
    for degrees in (40, 40, 30, 30):
        board.read(degrees)
    board.end_lot()
    raw = board.service.judging.report()["lots"][0]
    assert [one["verdict"] for one in raw["limits"]] == ["met", "met"], "as far as is known the gap was short"
    (lot,) = board.lots()
    assert [one["verdict"] for one in lot["limits"]] == ["open", "open"]
    assert lot["verdict"] == "open"
    assert "waits until the time is known" in lot["limits"][0]["watches"][0]["reason"]
    shown = board.service.desk.lot("J-1")
    assert (shown["verdict"], shown["provisional"]) == ("open", "time")
    assert [one["verdict"] for one in shown["limits"]] == ["open", "open"]
    board.get_time()
    (lot,) = board.lots()
    assert [(one["limit"], one["verdict"]) for one in lot["limits"]] == [("warm", "unproven"), ("door", "deviated")]
    assert board.service.desk.lot("J-1")["provisional"] == ""


def test_lot_is_not_released_nor_day_signed_on_provisional_time(at_most: Board) -> None:
    """The reviewer is told why, in one sentence; a day that was over before the power cut can be signed."""
    board = at_most
    for _ in range(5):
        board.read(40)
    board.power_cut(2 * HOUR, -3 * DAY)
    board.read(40)
    board.end_lot()
    desk, zone = board.service.desk, board.service.plan.site.zone
    today, before = (f"{local(at, zone):%Y-%m-%d}" for at in (START, START - DAY))
    with pytest.raises(RefusedError, match="J-1 cannot be released yet: warm is still open; door is still open"):
        desk.release(TAM, "J-1")
    with pytest.raises(RefusedError, match="its times are provisional until the time is known"):
        desk.review_day(TAM, today)
    assert desk.day(before)["open_matters"] == []
    board.get_time()
    assert desk.day(today)["open_matters"] == []
    assert desk.release(TAM, "J-1")["by"] == "Tam Okafor", "two hours are within what is allowed"


def test_limit_that_was_met_before_the_power_cut_or_after_it_alone_is_told(at_most: Board) -> None:
    """Only what reaches over the time of unknown length waits."""
    board = at_most
    board.read(30)
    board.read(30)
    board.end_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.open_lot("J-2")
    board.read(30)
    board.read(30)
    board.end_lot("J-2")
    assert {lot["lot"]: lot["verdict"] for lot in board.lots()} == {"J-1": "met", "J-2": "met"}


def test_finding_message_and_export_of_provisional_time_say_so(board: Board, tmp_path: Path) -> None:
    """What goes out or into the records while time is provisional carries it, and nothing once it is known."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    for _ in range(60):
        board.read(110)
    board.tick()
    service = board.service
    with service.store.read() as conn:
        told = [e.body.get("provisional") for e in ledger.entries(conn, kind="finding")]
        assert "Time is provisional" in service._status(conn)
    assert True in told
    assert provisional.remark(board.clock).startswith("Time is provisional")

    def exported() -> dict[str, Any]:
        day = f"{local(START, service.plan.site.zone):%Y-%m-%d}"
        live = service.judging.report()
        folder = export_day(service.store, day, tmp_path / "out", service.key, now=board.clock(), live=live).path
        return dict(json.loads((folder / "manifest.json").read_text()))

    assert "started without the right time" in exported()["being_judged"]
    board.get_time()
    assert provisional.remark(board.clock) == ""
    assert exported()["being_judged"] == ""
    with service.store.read() as conn:
        assert "provisional" not in service._status(conn)


def test_message_that_cannot_be_recorded_says_so_too(board: Board, tmp_path: Path) -> None:
    """The disk fails on a board without the time: the siren's program and the phone hear both."""
    heard = tmp_path / "heard"
    bell = ProgramBell(BellConfig("horn", program=("/bin/sh", "-c", f"cat >> {heard}")))
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.service.emergency._bells = lambda: {"horn": bell}
    board.service.writer.trouble = StoreFailed("the disk is full")
    for _ in range(3):
        board.service.emergency.look()
        board.move(5 * SECOND)
    board.service.writer.trouble = None
    until(lambda: heard.exists() and "Time is provisional" in heard.read_text())
    assert "NOT RECORDED" in heard.read_text()


def test_day_exported_on_provisional_time_is_exported_again_once_it_is_known(board: Board) -> None:
    """At night it is made, an hour later than else, and made once; when time is known and all is judged, its next revision is owed."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    service, zone = board.service, board.service.plan.site.zone
    day = f"{local(START, zone):%Y-%m-%d}"
    for _ in range(17):
        board.read(40, minutes=60)
        board.tick()

    def export() -> dict[str, Any]:
        live = service.judging.report()
        folder = export_day(service.store, day, board.config.data / "exports", service.key, now=board.clock(), live=live).path
        return dict(json.loads((folder / "manifest.json").read_text()))

    assert f"{local(board.clock(), zone):%Y-%m-%d}" > day
    assert service.exporter.owed(board.clock()) == [day]
    assert export()["being_judged"]
    for _ in range(3):
        board.read(40, minutes=60)
        assert service.exporter.owed(board.clock()) == [], "not made again and again while nothing is known"
    board.get_time()
    assert service.exporter.owed(board.clock()) == [day]
    again = export()
    assert (again["revision"], again["being_judged"], again["problems"]) == (2, "", [])
    assert service.exporter.owed(board.clock()) == []


def test_page_alarm_and_answers_say_so_until_what_was_read_is_judged_again(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """Time is known at once; what was read is put right and judged for a while after, also over a restart."""
    board.hot_lot()
    board.lose_the_time(12, sealed=True)
    board.set_clock()
    monkeypatch.setattr(clock_restamp, "_ROWS", 3)
    monkeypatch.setattr(judging, "AT_ONCE", 5)

    def tick() -> str:
        now = board.clock()
        board.service.writer.submit(lambda conn: board.service.pipeline.tick(conn, now)).result(10)
        board.service._look_after(now)
        board.service.writer.submit(lambda _: None).result(10)
        rings = "clock/provisional" in board.ringing()
        assert rings == bool(provisional.doubt(board.clock))
        return str(board.service.desk.lot("J-1")["provisional"])

    said = [tick() for _ in range(3)]
    with board.service.store.read() as conn:
        assert clock_restamp.owed(conn)
    board.service.close()
    board.open()
    said += [tick() for _ in range(4)]
    assert set(said) == {"verdicts"}
    assert board.service.judging.late is not None, "all is stored again, and is judged beside what goes on"
    board.tick()
    assert tick() == ""
    assert board.verdict("cooling") == "deviated"


#: Every kind that a core can be judged by, as far as each can be met by what is read here.
_ALL = (
    AT_MOST
    + COOLING
    + core_limit("hold", "dwell", 'max = "60 °F"\nfor = "20 min"')
    + NEVER
    + UP
    + core_limit("sour", "degree-hours", 'base = "60 °F"\nlimit = "200 °F h"\nuntil_ph = 5.3')
)


def _met(lot: dict[str, Any]) -> set[str]:
    return {one["limit"] for one in lot["limits"] if one["verdict"] == "met"}


def _not_taken_back(folders: pytest.TempPathFactory, away: int, before: Sequence[float], after: Sequence[float]) -> set[str]:
    """What is told as met while time is provisional is met by the right time; what was met by then."""
    board = Board(folders.mktemp("told"), _ALL)
    board.open_lot()
    for degrees in before:
        board.read(degrees)
    board.power_cut(away * MINUTE, -3 * DAY)
    for degrees in after:
        board.read(degrees)
    board.service.desk.measure(ODILE, "J-1", "pH", "5.1")
    board.move(SECOND)
    board.end_lot()
    told, raw = _met(board.lots()[0]), _met(board.service.judging.report()["lots"][0])
    board.get_time()
    right = _met(board.lots()[0])
    board.service.close()
    assert told <= right, (told, right)
    return raw - told


@pytest.mark.parametrize("away", [2, 20, 100, 250, 400])
def test_what_is_told_as_met_in_provisional_time_is_not_taken_back(tmp_path_factory: pytest.TempPathFactory, away: int) -> None:
    """Every kind of limit over a power cut shorter and longer than it is taken for; what leans on its length waits."""
    waits = _not_taken_back(tmp_path_factory, away, [40] * 5, [40] * 3 + [30] * 25)
    assert waits == {"warm", "door", "sour"}


_DEGREES = st.lists(st.floats(35, 150), min_size=1, max_size=30)


@pytest.mark.full
@pytest.mark.timeout(1800)
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(away=st.integers(1, 600), before=_DEGREES, after=_DEGREES)
def test_what_is_told_as_met_in_provisional_time_is_not_taken_back_for_any_readings(
    tmp_path_factory: pytest.TempPathFactory, away: int, before: list[float], after: list[float]
) -> None:
    """The same for any readings and any power cut."""
    _not_taken_back(tmp_path_factory, away, before, after)
