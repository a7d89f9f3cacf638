"""A service whose disk is full, or whose file is held by another program: it rings, a breach rings, and nothing is lost."""

from __future__ import annotations

import sqlite3
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from pathlib import Path

import pytest

from monitor import ledger
from monitor.alarms.listing import open_alarms
from monitor.config import AlarmsConfig, BellConfig, Config, Person, Rung, Server, StoreConfig
from monitor.emergency import PATIENCE
from monitor.errors import MonitorError, StoreUnavailable
from monitor.service import Service
from monitor.store import readings
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Reading
from tests.faults.small_disk import filled
from tests.ferncliff import GRIND, ODILE, SITE, START

WAIT_S = 30.0


class Site:
    """A whole service, its data in `data`, its one bell a program that appends what it is told to a file."""

    def __init__(self, folder: Path, data: Path) -> None:
        self.now, self.heard = START, folder / "heard.txt"
        (folder / "plan.toml").write_text(SITE + GRIND, encoding="utf-8")
        bell = BellConfig("horn", program=("/bin/sh", "-c", f"cat >> {self.heard}"))
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", data, Server(port=0),
            persons=(Person("Odile Marsh", "operator"),), bells=(bell,),
            escalation=(Rung(0, bells=("horn",)),), alarms=AlarmsConfig(all_well=None), store=StoreConfig(spare_mb=0, copy_every=0),
        )  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            self.service = Service(self.config, clock=lambda: self.now, drivers=(), tick_s=0.05, exports=False)
        self.service.store.dialect.busy_ms = 100
        self.service.intake.limits = type(self.service.intake.limits)(probes=["core-1"], retry_s=(0.05, 0.1))
        self.service.start()
        self.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
        self.service.desk.place(ODILE, "J-1", "core-1")

    def send(self, degrees: float) -> object:
        self.now += SECOND
        return self.service.intake.readings([Reading("core-1", self.now, fahrenheit(degrees))])

    def told(self) -> str:
        return self.heard.read_text() if self.heard.exists() else ""

    def until(self, condition: Callable[[], bool], step: int = 0) -> None:
        deadline = time.monotonic() + WAIT_S
        while not condition():
            assert time.monotonic() < deadline, "it did not come about"
            self.now += step
            time.sleep(0.02)


@contextmanager
def full(site: Site) -> Iterator[None]:
    """Fill the file system to the last byte."""
    with filled(site.config.data):
        yield


@contextmanager
def held(site: Site) -> Iterator[None]:
    """Another program holds the database's write lock."""
    with closing(sqlite3.connect(site.service.store.path, isolation_level=None, timeout=30)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def endure(site: Site, trouble: Callable[[Site], AbstractContextManager[None]]) -> None:
    """The body of both: what is told while it lasts, and what stands recorded afterwards."""
    service = site.service
    kept = [site.send(33.0).result(WAIT_S) for _ in range(5)]  # type: ignore[attr-defined]
    assert [k[0].what for k in kept] == ["stored"] * 5
    with trouble(site):
        waiting = [site.send(33.0)]
        n = 0
        while service.writer.trouble is None:
            assert n < 3000, "the trouble did not show"
            n += 1
            if n % 10 == 0:
                waiting.append(site.send(33.0 + n % 3))
            time.sleep(0.005)
        site.now += PATIENCE
        site.until(lambda: "records cannot be kept" in site.told(), SECOND // 10)
        with pytest.raises((StoreUnavailable, MonitorError)):
            service.desk.act(ODILE, "D1", "nothing can be written")
        assert "grind cold" not in site.told()
        waiting.append(site.send(51.0))  # the breach: it cannot be recorded, and rings all the same
        site.until(lambda: "grind cold limit not met" in site.told(), SECOND // 10)
        assert "NOT RECORDED" in site.told()
        assert "Stop and re-chill the meat." in site.told()
        times = site.told().count("records cannot be kept,")
        site.now += service.config.alarms.repeat
        # Time goes on: a commit small enough for room the log still had ends the trouble for a moment, and patience begins anew.
        site.until(lambda: site.told().count("records cannot be kept,") > times, SECOND // 10)
        assert site.told().count("grind cold limit not met,") == 1, "a breach is told once while nothing can be kept"
    done = [future.result(WAIT_S)[0].what for future in waiting]  # type: ignore[attr-defined]
    assert set(done) == {"stored"}
    site.until(lambda: service.writer.trouble is None)

    def recorded() -> bool:
        with service.store.read() as conn:
            return any("from" in e.body for e in ledger.entries(conn, kind="store"))

    site.until(recorded)
    with service.store.read() as conn:
        assert ledger.verify(conn) == []
        assert readings.count(conn) == 5 + len(waiting)
        found = [e.body["what"] for e in ledger.entries(conn, kind="finding")]
        alarms = {row["key"] for row in open_alarms(conn, site.now)}
    assert found.count("deviated") == 1
    assert "verdict/J-1/grind/grind cold" in alarms
    assert service.desk.deviation("D1")["verdict"] == "deviated"


def test_full_disk_rings_and_loses_nothing(tmp_path: Path, small_disk: Path) -> None:
    """On a file system with no byte left: bells ring without the store, a breach rings, and with room again everything is recorded."""
    site = Site(tmp_path, small_disk)
    try:
        endure(site, full)
    finally:
        site.service.close()


def test_store_held_by_another_program_rings_and_loses_nothing(tmp_path: Path) -> None:
    """The same while another program keeps the write lock."""
    site = Site(tmp_path, tmp_path / "data")
    try:
        endure(site, held)
    finally:
        site.service.close()


def test_lock_of_a_moment_is_no_emergency(tmp_path: Path) -> None:
    """A backup that holds the lock for a second rings nobody."""
    site = Site(tmp_path, tmp_path / "data")
    try:
        site.send(33.0).result(WAIT_S)  # type: ignore[attr-defined]
        with held(site):
            future = site.send(34.0)
            site.until(lambda: site.service.writer.trouble is not None)
            site.service.emergency.look()
            site.service.emergency.look()
        future.result(WAIT_S)  # type: ignore[attr-defined]
        site.until(lambda: site.service.writer.trouble is None)
        site.now += MINUTE + HOUR * 0
        site.service.emergency.look()
        assert site.told() == ""
    finally:
        site.service.close()
