"""Between readings the store is looked after: each hour summed up, room and copies watched, the clock held against a steady one."""

import gc
import itertools
import shutil
import warnings
import weakref
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from sqlalchemy import text

from monitor import copies, ledger, summaries
from monitor.alarms.listing import open_alarms
from monitor.clock import SystemClock
from monitor.clock_watch import ClockWatch
from monitor.commands.run import spare_what_stands
from monitor.config import AlarmsConfig, Config, Person, Server, StoreConfig
from monitor.desk import Hand
from monitor.service import Service
from rules.quantity import fahrenheit, format_instant, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, Reading

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
id = "house-1"
kind = "chamber"
[[probe]]
id = "core-1"
place = "core"
[[probe]]
id = "air-1"
place = "chamber"
room = "house-1"
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "cook"
room = "house-1"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
rows = [{ at = "145 °F", for = "4 min" }]
source = "invented for this test"
"""


class Site:
    """A whole service over real SQLite, its clock and its ticks moved by the test."""

    def __init__(self, folder: Path, store: StoreConfig) -> None:
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder, Server(port=0),
            persons=(Person("Odile Marsh", "operator"),), alarms=AlarmsConfig(all_well=None), store=store,
        )  # fmt: skip
        self.now = self.wall = START
        self.open()

    def open(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            watch = ClockWatch(lambda: self.wall, lambda: self.now)
            self.service = Service(self.config, clock=lambda: self.now, clock_watch=watch, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()

    def restart(self) -> None:
        self.service.close()
        self.open()

    def tick(self, minutes: float) -> None:
        self.now += round(minutes * MINUTE)
        self.wall += round(minutes * MINUTE)
        self.service.writer.submit(lambda conn: self.service.pipeline.tick(conn, self.now)).result(10)
        self.service._look_after(self.now)
        self.service.writer.submit(lambda _: None).result(10)

    def send(self, *items: Reading | Fault) -> None:
        self.service.intake.readings(items).result(10)

    def entries(self, kind: str) -> list[ledger.Entry]:
        with self.service.store.read() as conn:
            assert ledger.verify(conn) == []
            return list(ledger.entries(conn, kind=kind))

    def ringing(self) -> dict[str, str]:
        with self.service.store.read() as conn:
            return {row["key"]: row["text"] for row in open_alarms(conn, self.now) if row["active"]}


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    site = Site(tmp_path, StoreConfig(spare_mb=0))
    yield site
    site.service.close()


def test_each_hour_is_summed_up_with_values_times_product_and_lot(site: Site) -> None:
    """A line for each probe: how many, lowest and highest, first and last, the longest gap, faults, and what it served."""
    site.service.desk.start_lot(ODILE, "juniper-links", lot="J-0412")
    site.service.desk.place(ODILE, "J-0412", "core-1")
    for n in range(20):
        site.tick(2)
        if n not in (5, 6):
            site.send(Reading("core-1", site.now, fahrenheit(60 + n), -0.25))
        site.send(Fault("air-1", site.now, "open circuit") if n == 3 else Reading("air-1", site.now, 70 - n))
    assert site.entries("monitoring") == []
    site.tick(21)
    (entry,) = site.entries("monitoring")
    assert entry.by == ""
    air, core = entry.body["probes"]
    lot = {"lot": "J-0412", "product": "juniper-links", "product_name": "Juniper venison-and-pork links", "steps": ["cook"]}
    assert core == {
        "probe": "core-1", "place": "core", "room": "", "lots": [lot], "readings": 18, "suspect": 0,
        "lowest_c": round(fahrenheit(60) - 0.25, 3), "highest_c": round(fahrenheit(79) - 0.25, 3), "longest_gap_s": 360.0,
        "first": format_instant(START + 2 * MINUTE), "last": format_instant(START + 40 * MINUTE),
    }  # fmt: skip
    assert (air["readings"], air["faults"], air["lowest_c"], air["highest_c"], air["room"]) == (19, 1, 51.0, 70.0, "house-1")
    assert air["lots"] == [lot], "the chamber's probe serves the lot whose step is in its room"
    assert (entry.body["first_seq"], entry.body["last_seq"]) == (1, 38)


def test_summaries_take_up_where_the_last_one_ended(site: Site) -> None:
    """Across seals and restarts every arrival is in exactly one; an hour without any has none."""
    for hour in range(4):
        for _ in range(6 if hour != 2 else 0):
            site.send(Reading("core-1", site.now, 3.0))
            site.tick(9)
        if hour == 1:
            site.restart()
        site.tick(60)
    found = [(e.body["first_seq"], e.body["last_seq"], e.body["probes"][0]["readings"]) for e in site.entries("monitoring")]
    assert found[0][0] == 1
    assert all(one[1] + 1 == other[0] for one, other in itertools.pairwise(found))
    assert sum(n for _, _, n in found) == found[-1][1] == 18


def test_backlog_is_summed_up_in_parts(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each look sums up a few blocks, so that the writer is free in between; together they cover every arrival once."""
    monkeypatch.setattr(summaries, "MOST", 10)
    for _ in range(5):
        site.send(*(Reading("core-1", site.now - n * SECOND, 3.0) for n in range(6)))
        site.tick(11)
    site.tick(6)
    for _ in range(8):
        site.tick(0.1)
    found = [(e.body["first_seq"], e.body["last_seq"], e.body["probes"][0]["readings"]) for e in site.entries("monitoring")]
    assert len(found) >= 3
    assert max(n for _, _, n in found) <= 12
    assert all(one[1] + 1 == other[0] for one, other in itertools.pairwise(found))
    assert sum(n for _, _, n in found) == found[-1][1] == 30


def test_copy_is_asked_for_until_there_is_a_recent_one(site: Site) -> None:
    """Quiet for the first week, then it rings until a copy is on record, and again once that is old."""
    site.tick(5 * 24 * 60)
    assert "store-copy" not in site.ringing()
    site.tick(2 * 24 * 60 + 2)
    assert "there is no second copy of the records" in site.ringing()["store-copy"]
    site.service.writer.submit(lambda conn: ledger.append(conn, copies.BACKUP, {"file": "b"}, site.now, entered_at=site.now)).result(10)
    site.tick(2)
    assert "store-copy" not in site.ringing()
    site.tick(7 * 24 * 60)
    assert "the second copy of the records is old" in site.ringing()["store-copy"]


def test_disk_that_fills_rings_before_it_is_full(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Less than what is to be spared rings, and ends once there is clearly more."""
    site.service.caretaker._config = replace(site.config, store=StoreConfig(spare_mb=300))
    free = SimpleNamespace(free=299_000_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: free)
    site.tick(2)
    assert "only 299 MB left for records" in site.ringing()["store-room"]
    free.free = 310_000_000
    site.tick(2)
    assert "store-room" in site.ringing(), "hovering at the mark is no change"
    free.free = 400_000_000
    site.tick(2)
    assert "store-room" not in site.ringing()


def test_old_readings_are_deleted_by_and_by(tmp_path: Path) -> None:
    """What is older than `keep` goes at the next look, with its entry."""
    site = Site(tmp_path, StoreConfig(spare_mb=0, keep=7 * DAY))
    try:
        for _ in range(10):
            site.send(Reading("core-1", site.now, 3.0))
            site.tick(24 * 60)
        gone = sum(e.body["deleted"] for e in site.entries("retention"))
        assert 2 <= gone <= 3
        with site.service.store.read() as conn:
            assert conn.execute(text("SELECT count(*) FROM reading")).scalar() == 10 - gone
    finally:
        site.service.close()


@pytest.mark.parametrize(("hours", "way"), [(24, "forward"), (-24, "back")])
def test_clock_that_is_set_is_noted_and_rings(site: Site, hours: int, way: str) -> None:
    """A day forward or a day back: an entry with both times and the step, and an alarm; a drift of a second is nothing."""
    site.wall += SECOND
    site.tick(1)
    assert site.entries("clock") == []
    site.wall += hours * HOUR
    site.tick(1)
    (entry,) = site.entries("clock")
    assert entry.body["by_s"] == hours * 3600
    assert parse_instant(entry.body["to"]) - parse_instant(entry.body["from"]) == hours * HOUR
    with site.service.store.read() as conn:
        told = [e.body for e in ledger.entries(conn, kind="alarm") if e.body["what"] == "raised"]
    assert [f"clock stepped {way} 24 h" in str(one) for one in told] == [True]


def test_service_s_time_goes_on_when_the_clock_is_set_back() -> None:
    """It never runs backwards and never stands still, so that an alarm still climbs its ladder; a clock set forward is followed."""
    at = SimpleNamespace(wall=START, steady=0)
    clock = SystemClock(lambda: at.wall, lambda: at.steady)
    assert clock() == START
    at.wall, at.steady = START - DAY + MINUTE, MINUTE
    assert clock() == START + MINUTE
    at.wall, at.steady = START - DAY + HOUR, HOUR
    assert clock() == START + HOUR
    at.wall, at.steady = START + 2 * DAY, 2 * HOUR
    assert clock() == START + 2 * DAY


def test_deviation_is_filled_in_with_what_was_judged_and_measured(site: Site) -> None:
    """From when to when, the worst reading with its instant, the lot that is on hold; all of it in the ledger."""
    site.service.desk.start_lot(ODILE, "juniper-links", lot="J-0412")
    site.service.desk.place(ODILE, "J-0412", "core-1")
    for degrees in (100, 139, 120, 90):
        site.now += MINUTE
        site.send(Reading("core-1", site.now, fahrenheit(degrees)))
    site.now += MINUTE
    site.service.desk.end(ODILE, "J-0412")
    site.tick(1)
    record = site.service.desk.deviation("D1")
    (seen,) = record["observed"]
    assert (record["verdict"], record["affected"]) == ("deviated", ["J-0412"])
    assert (seen["readings"], seen["worst_c"]) == (4, round(fahrenheit(139), 3))
    assert (seen["worst_at"], seen["to"]) == (format_instant(START + 2 * MINUTE), format_instant(START + 5 * MINUTE))
    assert parse_instant(seen["from"]) == START + 1, "placed a moment after its start"
    assert (seen["lowest_c"], seen["highest_c"]) == (round(fahrenheit(90), 3), round(fahrenheit(139), 3))
    told = [e.body for e in site.entries("deviation")]
    assert [one["what"] for one in told] == ["opened", "facts"]
    assert told[1]["observed"][0]["worst_c"] == seen["worst_c"]
    site.tick(1)
    assert len(site.entries("deviation")) == 2, "once"


def test_engine_that_something_late_has_replaced_is_gone_within_the_minute(site: Site) -> None:
    """Its parts point at each other, so that it would stay in memory until Python happens to look for such cycles."""
    site.service.desk.start_lot(ODILE, "juniper-links", lot="J-0412")
    site.service.desk.place(ODILE, "J-0412", "core-1")
    site.tick(2)
    site.send(Reading("core-1", site.now, 3.0))
    site.tick(2)
    before = site.service.pipeline.report(), site.entries("finding")
    site.service.without_engine(spare_what_stands)  # as the command does
    site.service.writer.submit(lambda _: None).result(10)
    assert (site.service.pipeline.report(), site.entries("finding")) == before, "read again from the store, nothing told twice"
    gc.disable()
    try:
        old = weakref.ref(site.service.judging.engine)
        site.send(Reading("core-1", site.now - 3 * MINUTE, 3.0))
        assert old() is not site.service.judging.engine, "the reading came late"
        assert old() is not None
        site.tick(2)
        assert old() is None
    finally:
        gc.enable()
        gc.unfreeze()
