"""A board without a clock battery: read, kept and judged at once, told, and put right once the time is known."""

import asyncio
import csv
import json
import os
import shutil
import subprocess
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection

from monitor import clock_restamp, judging, ledger, people, provisional
from monitor.alarms.listing import open_alarms
from monitor.clock_board import BoardClock, blind_span, remembered
from monitor.clock_desk import ClockDesk
from monitor.clock_watch import ClockWatch
from monitor.config import AlarmsConfig, Config, Person, Server, StoreConfig
from monitor.desk import Hand
from monitor.errors import InputError, RefusedError
from monitor.export.day import export_day
from monitor.judge import judge_files
from monitor.service import Service
from monitor.store import readings
from rules.quantity import fahrenheit, format_instant, local, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Instant, Reading, Span

START = parse_instant("2026-03-02T08:00:00-06:00")
DAY = 24 * HOUR
ODILE = Hand("Odile Marsh", "operator")
PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
[[room]]
id = "cooler-1"
kind = "cooler"
[[probe]]
id = "core-1"
place = "core"
uncertainty = "0 °F"
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "chill"
room = "cooler-1"
[[product.step.limit]]
name = "cooling"
kind = "cooling"
place = "core"
start = "130 °F"
windows = [{ to = "80 °F", within = "90 min" }, { to = "40 °F", within = "5 h" }]
source = "invented for this test"
[[product.step.limit]]
name = "hold"
kind = "dwell"
place = "core"
max = "60 °F"
for = "20 min"
contiguous = true
source = "invented for this test"
"""


#: The same product with limits that ask for at most so long, all of them below their thresholds in these tests but for the gap.
AT_MOST = (
    PLAN[: PLAN.index("[[product.step.limit]]")]
    + """
[[product.step.limit]]
name = "warm"
kind = "exposure"
place = "core"
tiers = [{ above = "50 °F", within = "3 h" }]
source = "invented for this test"
[[product.step.limit]]
name = "door"
kind = "ceiling"
place = "core"
max = "38 °F"
allowed = "3 h"
source = "invented for this test"
"""
)


class Board:
    """A machine with a clock that is wrong after a power cut, and the service on it."""

    def __init__(self, folder: Path, plan: str = PLAN) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "plan.toml").write_text(plan, encoding="utf-8")
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder / "data", Server(port=0), persons=(Person("Odile Marsh", "operator"),),
            alarms=AlarmsConfig(all_well=None), store=StoreConfig(spare_mb=0, copy_every=0),
        )  # fmt: skip
        #: The right time, the system's time less that, the time since the boot, what the kernel says.
        self.true, self.wrong, self.up, self.kept, self.boot = START, 0, 10 * SECOND, True, "a"
        self.taken: list[Future[Any]] = []
        self.open()

    def open(self) -> None:
        self.clock = BoardClock(self.wall, lambda: self.up, lambda: self.kept, lambda: self.boot, lambda: False)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            watch = ClockWatch(self.wall, lambda: self.up)
            self.service = Service(self.config, clock=self.clock, clock_watch=watch, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()

    def wall(self) -> Instant:
        return self.true + self.wrong

    def power_cut(self, away: Span, wrong: Span, *, kept: bool = False) -> None:
        """Gone for `away`; then the system's time is off by `wrong`, and nothing keeps it."""
        self.tick()
        self.service.close()
        self.true += away
        self.wrong, self.up, self.kept, self.boot = wrong, 10 * SECOND, kept, self.boot + "+"
        self.open()

    def restart(self) -> None:
        self.tick()
        self.service.close()
        self.open()

    def killed(self) -> None:
        """Killed where it stands: what goes on is what lay on the disk at that moment, the log of the store and all."""
        data = self.config.data
        shutil.copytree(data, data.with_name("killed"))
        self.service.close()
        self.config = replace(self.config, data=data.with_name("killed"))
        self.open()

    def move(self, span: Span) -> None:
        self.true += span
        self.up += span

    def read(self, degrees: float, minutes: float = 1) -> None:
        """A driver that has no time of its own reads, and stamps with the system's clock."""
        self.move(round(minutes * MINUTE))
        self.taken.append(self.service.intake.readings([Reading("core-1", self.wall(), fahrenheit(degrees))]))

    def tick(self) -> None:
        while self.taken:
            self.taken.pop().result(10)
        now = self.clock()
        self.service.writer.submit(lambda conn: self.service.pipeline.tick(conn, now)).result(10)
        self.service._look_after(now)
        self.service.writer.submit(lambda _: None).result(10)
        while self.service.judging.late is not None:
            self.service.writer.submit(self.service.pipeline.catch_up).result(10)

    def get_time(self, wrong: Span = 0) -> None:
        """A time service sets the clock and keeps it."""
        self.wrong, self.kept = wrong, True
        for _ in range(3):
            self.tick()

    def judged(self) -> list[Reading]:
        with self.service.store.read() as conn:
            return [s.item for s in readings.between(conn, 0, START + 99 * DAY) if isinstance(s.item, Reading)]

    def lots(self) -> list[dict[str, Any]]:
        return json.loads(json.dumps(self.service.pipeline.report()["lots"]))

    def verdict(self, limit: str) -> str:
        (lot,) = self.lots()
        return next(str(one["verdict"]) for one in lot["limits"] if one["limit"] == limit)

    def entries(self, what: str) -> list[dict[str, Any]]:
        with self.service.store.read() as conn:
            assert ledger.verify(conn) == []
            return [e.body for e in ledger.entries(conn, kind="clock") if e.body.get("what") == what]

    def ringing(self) -> set[str]:
        with self.service.store.read() as conn:
            return {row["key"] for row in open_alarms(conn, self.clock()) if row["active"]}

    def hot_lot(self) -> None:
        """An open lot that cools, half an hour in."""
        self.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
        self.service.desk.place(ODILE, "J-1", "core-1")
        for n in range(30):
            self.read(140 - n)
        self.tick()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    board = Board(tmp_path)
    yield board
    board.service.close()


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


def test_job_that_is_undone_and_run_again_puts_time_right_once(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another job of the same commit fails by a mistake of the program, and the writer runs the rest again: nothing is forgotten."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    for n in range(5):
        board.read(100 - n)
    board.tick()
    board.wrong, board.kept = 0, True

    def held(_conn: object) -> None:
        looked.wait(10)

    def mistaken(_conn: object) -> None:
        raise ZeroDivisionError

    looked = threading.Event()
    writer = board.service.writer
    monkeypatch.setattr(board.service.pipeline, "_urgent", lambda: None)  # what is urgent would end the commit before the other job
    writer.submit(held, waiting=False)
    board.service._look_after(board.clock())
    failed = writer.submit(mistaken)
    looked.set()
    assert isinstance(failed.exception(10), ZeroDivisionError)
    for _ in range(3):
        board.tick()
    assert len(board.entries("trusted")) == 1
    assert [one["readings"] for one in board.entries("restamped")] == [5]
    assert board.judged()[-1].at == board.true
    assert len(board.judged()) == 35


def test_another_upkeep_job_that_is_refused_shifts_no_reading_twice(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """It fails in the commit in which time is put right, and a reading comes before anybody has heard of that."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    for n in range(5):
        board.read(100 - n)
    board.tick()
    board.wrong, board.kept = 0, True
    writer, caretaker, intake = board.service.writer, board.service.caretaker, board.service.intake
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
        if not intake.queued and not refused:
            with suppress(TimeoutError, RefusedError):
                future.result(0.5)
            if refused:
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
    board.power_cut(HOUR, -3 * DAY)
    for n in range(5):
        board.read(100 - n)
    board.tick()

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


def test_time_that_is_not_put_right_after_all_moves_only_what_went_with_it(board: Board) -> None:
    """A reading in the transaction that was undone keeps its stamp; both it and one that waits are right in the end."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.wrong, board.kept = 0, True
    begun, go = threading.Event(), threading.Event()

    def spoilt(conn: Connection) -> None:
        begun.set()
        go.wait(10)
        board.service.keeper.look(conn)
        raise ZeroDivisionError

    writer, intake = board.service.writer, board.service.intake
    board.wrong = -3 * DAY
    board.read(100)
    first = board.true
    failed = writer.submit(spoilt)
    begun.wait(10)
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
        go.wait(10)

    writer.submit(hold, waiting=False)
    held.wait(10)
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
    stamped.wait(10)
    board.wrong, board.kept = 0, True
    board.service._look_after(board.clock())
    go.set()
    driver.join(20)
    waited[0].result(10)
    for _ in range(3):
        board.tick()
    assert [r.at for r in board.judged()[-2:]] == [first, second]


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


@pytest.fixture
def at_most(tmp_path: Path) -> Iterator[Board]:
    board = Board(tmp_path, AT_MOST)
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
    board.service.desk.place(ODILE, "J-1", "core-1")
    yield board
    board.service.close()


def test_limit_that_a_longer_power_cut_would_break_is_not_told_as_met(at_most: Board) -> None:
    """For the gap judged it is met; it waits, in every answer, until time is known, and is `deviated` and `unproven` then."""
    board = at_most
    for _ in range(5):
        board.read(40)
    board.power_cut(5 * HOUR, -3 * DAY)
    for degrees in (40, 40, 30, 30):
        board.read(degrees)
    board.service.desk.end(ODILE, "J-1")
    board.move(SECOND)
    board.tick()
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


def test_limit_that_was_met_before_the_power_cut_or_after_it_alone_is_told(at_most: Board) -> None:
    """Only what reaches over the time of unknown length waits."""
    board = at_most
    board.read(30)
    board.read(30)
    board.service.desk.end(ODILE, "J-1")
    board.move(SECOND)
    board.tick()
    board.power_cut(HOUR, -3 * DAY)
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-2")
    board.service.desk.place(ODILE, "J-2", "core-1")
    board.read(30)
    board.read(30)
    board.service.desk.end(ODILE, "J-2")
    board.move(SECOND)
    board.tick()
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


def test_page_alarm_and_answers_say_so_until_what_was_read_is_judged_again(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """Time is known at once; what was read is put right and judged for a while after, also over a restart."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    for n in range(12):
        board.read(100 - n)
        board.tick()
        board.service.writer.submit(lambda conn: ledger.seal(conn, board.clock())).result(10)
    board.wrong, board.kept = 0, True
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


TAM = Hand("Tam Okafor", "reviewer")


def said(board: Board, text: str, hand: Hand = TAM) -> dict[str, Any]:
    return ClockDesk(board.service.desk, board.service.keeper).set(hand, text)


def by_the_watch(board: Board) -> str:
    """The right time, as a person reads it off a watch."""
    return f"{local(board.true, board.service.plan.site.zone):%Y-%m-%dT%H:%M:%S}"


def test_person_says_the_time_where_no_network_does(board: Board) -> None:
    """Local time, in the ledger under the name; what was read is put right, the rest counted on from there, also over a restart."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    for n in range(12):
        board.read(100 - n)
    board.tick()
    made = said(board, by_the_watch(board))
    assert (made["by"], made["at"]) == ("Tam Okafor", format_instant(board.true))
    for _ in range(3):
        board.tick()
    assert board.clock() == board.true
    assert not board.clock.unsettled
    assert "clock/provisional" not in board.ringing()
    assert board.judged()[-1].at == board.true
    assert len(board.judged()) == 42
    board.restart()
    board.read(80)
    board.tick()
    assert board.clock() == board.true
    assert board.judged()[-1].at == board.true, "the driver's stamp of the system's wrong clock is put right too"
    with board.service.store.read() as conn:
        (entry,) = [e for e in ledger.entries(conn, kind="clock") if e.body.get("what") == "trusted"]
    assert entry.by == "Tam Okafor"
    assert entry.body["by_s"] == made["by_s"]


def test_time_that_was_said_wrongly_is_put_right_by_the_network_or_by_a_better_word(board: Board) -> None:
    """A day too late, then an hour too early, then a network: each reading and entry counts once, and ends where it belongs."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    begun = board.true + MINUTE
    for n in range(5):
        board.read(100 - n)
    board.service.desk.start_lot(ODILE, "juniper-links", lot="J-2")
    started = board.true
    board.tick()
    for off in (DAY, -20 * MINUTE):
        said(board, f"{local(board.true + off, board.service.plan.site.zone):%Y-%m-%dT%H:%M:%S}")
        for _ in range(3):
            board.tick()
        assert board.clock() == board.true + off
        board.read(94)
        board.tick()
    board.get_time()
    assert board.clock() == board.true
    judged = board.judged()
    assert [r.at for r in judged[30:]] == [begun + n * MINUTE for n in range(7)]
    assert parse_instant(next(lot for lot in board.lots() if lot["lot"] == "J-2")["started"]) == started
    assert [entry["by_s"] > 0 for entry in board.entries("trusted")] == [True, False, True]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("2026-03-02T07:00", "there are records up to 2026-03-02T14:3"),
        ("2025-12-24T07:00", "there are records up to"),
        ("2033-03-02T12:00", "years away from the newest record"),
        ("", "the time is blank"),
        ("half past nine", "write it as 2026-03-02 13:04"),
        ("2026-03-08T02:30", "never was: the clocks went forward"),
        ("2026-11-01T01:30", "came twice"),
    ],
)
def test_time_that_cannot_be_is_refused_in_one_sentence(board: Board, text: str, sentence: str) -> None:
    """Before what is stored, absurdly far, no time at all, or one of the hours of the clocks' change: nothing is changed."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.read(100)
    board.tick()
    now = board.clock()
    with pytest.raises(InputError, match=sentence) as refused:
        said(board, text)
    assert "\n" not in str(refused.value)
    assert board.clock.provisional
    assert board.clock() == now
    assert board.entries("trusted") == []


def test_time_is_not_said_where_it_is_known_nor_by_who_only_reads(board: Board) -> None:
    """The system's clock is followed; an inspector says nothing."""
    board.hot_lot()
    with pytest.raises(RefusedError, match="the time is known here"):
        said(board, by_the_watch(board))
    board.power_cut(HOUR, -3 * DAY)
    with pytest.raises(RefusedError, match="only reads here"):
        said(board, by_the_watch(board), Hand("Ines Vale", "inspector"))
    assert board.clock.provisional


def test_time_is_said_on_the_page_and_over_the_api(board: Board) -> None:
    """The form, its refusal beside it, and the same over the API; the page's notice leads there and then goes."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.read(100)
    board.tick()
    board.service.writer.submit(lambda conn: people.set_secret(conn, "Odile Marsh", "provisional-pin-1", board.clock())).result(10)

    async def go() -> None:
        door = httpx.ASGITransport(board.service.app, client=("127.0.0.1", 1))
        async with httpx.AsyncClient(transport=door, base_url="http://127.0.0.1") as client:
            token = (await client.post("/api/v1/session", json={"name": "Odile Marsh", "secret": "provisional-pin-1"})).json()["form_token"]
            assert 'href="/clock"' in (await client.get("/")).text
            assert (await client.get("/api/v1/clock")).json()["provisional"] == "time"
            form = {"form_token": token, "once": "a"}
            wrong = await client.post("/clock", data=form | {"when": "2026-03-01T07:00"})
            assert wrong.status_code == 422
            assert "there are records up to" in wrong.text
            done = await client.post("/clock", data=form | {"when": by_the_watch(board), "once": "b"}, follow_redirects=True)
            assert "by Odile Marsh" in done.text
            await asyncio.to_thread(lambda: [board.tick() for _ in range(3)])
            shown = (await client.get("/api/v1/clock")).json()
            assert shown == {"now": format_instant(board.true), "provisional": "", "by": "Odile Marsh"}
            assert "provisional" not in (await client.get("/")).text
            asked = {"X-Form-Token": token, "Idempotency-Key": "k"}
            again = await client.post("/api/v1/clock", json={"at": format_instant(board.true + HOUR)}, headers=asked)
            assert (again.status_code, again.json()["by_s"]) == (201, 3600.0)

    asyncio.run(go())
    assert board.clock() == board.true + HOUR


def test_time_is_said_with_the_command(board: Board) -> None:
    """As a person at the board's keyboard: what is wrong is one sentence and exit code 2, what is right is told back."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    board.read(100)
    board.tick()
    board.service.writer.submit(lambda conn: people.set_secret(conn, "Odile Marsh", "provisional-pin-1", board.clock())).result(10)
    up = threading.Event()
    server = threading.Thread(target=lambda: board.service.run_server(up.set), daemon=True)
    server.start()
    assert up.wait(30)

    def larderer(*words: str) -> tuple[int, str, str]:
        command = [sys.executable, "-m", "monitor.cli", "clock", *words, "--name", "Odile Marsh", "--url", board.service.url()]
        secret = {**os.environ, "LARDERER_SECRET": "provisional-pin-1"}
        done = subprocess.run(command, env=secret, capture_output=True, text=True, timeout=60, check=False)
        return done.returncode, done.stdout, done.stderr

    assert "provisional: the board started without the time" in larderer("show")[1]
    code, out, error = larderer("set", "2026-03-01T07:00")
    assert (code, out) == (2, "")
    assert error.count("\n") == 1
    assert "there are records up to" in error
    code, out, error = larderer("set", by_the_watch(board))
    assert (code, error) == (0, "")
    assert out.startswith(f"It is {format_instant(board.true)}, by Odile Marsh")
    for _ in range(3):
        board.tick()
    assert "by the word of Odile Marsh" in larderer("show")[1]
    assert board.judged()[-1].at == board.true
    board.service.stop()
    server.join(30)


def test_weeks_of_seals_are_each_read_once(board: Board) -> None:
    """What is stored again costs as many seals as there are, not each of them for every block."""
    board.hot_lot()
    board.power_cut(HOUR, -3 * DAY)
    for n in range(12):
        board.read(100 - n)
        board.tick()
        board.service.writer.submit(lambda conn: ledger.seal(conn, board.clock())).result(10)
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
