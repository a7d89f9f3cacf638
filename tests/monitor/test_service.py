"""The service's life: its port, its end, and the exports it owes after a night without power."""

import json
import socket
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor import late
from monitor.alarms import ringer
from monitor.alarms.listing import open_alarms
from monitor.clock import steady_clock
from monitor.config import load_config
from monitor.errors import ExportError, RefusedError, StoreClosed
from monitor.late import Late
from monitor.service import Service
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, Reading
from tests.bench.figures import children
from tests.ferncliff import COOLER, SITE
from tests.waiting import until

NOON = parse_instant("2026-03-02T12:00:00-06:00")
DAY = 24 * HOUR


class House:
    """A service with its configuration in a file, as the export's own process needs it; the test moves the clock."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now = folder, NOON
        (folder / "plan.toml").write_text(SITE + COOLER, encoding="utf-8")
        (folder / "larderer.toml").write_text('plan = "plan.toml"\n[server]\nport = 0\n[alarms]\nall_well = ""\n', encoding="utf-8")
        self.open()

    def open(self, tick_s: float = 3600.0) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            self.service = Service(load_config(self.folder / "larderer.toml"), clock=lambda: self.now, drivers=(), tick_s=tick_s)

    def start(self) -> None:
        self.service.start()
        self.service.intake.readings([Reading("cooler-air", self.now, 3.0)]).result(10)

    def exported(self) -> list[str]:
        """Look for what is owed, and wait until it is made."""
        self.service.exporter.look(self.now)
        for thread in threading.enumerate():
            if thread.name == "export":
                thread.join(60)
        home = self.folder / "data" / "exports" / "ferncliff"
        return sorted(p.name for p in home.iterdir() if p.is_dir()) if home.is_dir() else []

    def ringing(self) -> list[str]:
        self.service.writer.submit(lambda _: None).result(10)
        with self.service.store.read() as conn:
            return [row["key"] for row in open_alarms(conn, self.now) if row["active"] and row["key"].startswith("export")]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    house = House(tmp_path)
    yield house
    house.service.close()


def test_port_that_is_taken_is_one_sentence(house):
    """It is told before anything is judged, with what to do."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        house.service.web.port = other.getsockname()[1]
        with pytest.raises(RefusedError, match=r"port \d+ of 127.0.0.1 cannot be taken .*write another under \[server\] in larderer.toml"):
            house.service.bind()


def test_port_left_to_the_system_is_known_before_anything_answers(house):
    """What is printed at the start is where the page will be."""
    house.service.bind()
    assert house.service.url() == f"http://127.0.0.1:{house.service.web.port}/"
    assert house.service.web.port != 0


def test_no_part_of_an_answer_waits_for_another_to_be_acknowledged(house):
    """Headers and body are sent apart; with Nagle's algorithm every answer, page or push, took 40 ms."""
    listening = house.service.bind()
    with socket.create_connection(listening.getsockname()), listening.accept()[0] as answering:
        assert answering.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_process_that_rings_is_ended_while_nothing_rings(house, monkeypatch):
    """It is as large as half the service: half an hour after its last call, by a clock that nobody sets, it is gone."""
    later = [0]
    monkeypatch.setattr("monitor.service.steady_clock", lambda: steady_clock() + later[0])
    house.service.close()
    house.open(tick_s=0.02)
    before = children()
    house.service.ringer.ask({"op": "check", "url": "json://127.0.0.1/x"}, 60)
    assert len(children() - before) == 1
    house.start()
    ticked = house.service.writer.commits
    until(lambda: house.service.writer.commits > ticked + 3, "three ticks")
    house.now += ringer.QUIET
    ticked = house.service.writer.commits
    until(lambda: house.service.writer.commits > ticked + 3, "three more")
    assert len(children() - before) == 1
    later[0] = ringer.QUIET
    until(lambda: children() <= before, "its end")


def test_end_asked_for_during_the_start_is_heard(house):
    """A service told to end while it still judges what is stored does not begin to serve."""
    house.service.stop()
    house.service.start()
    house.service.run_server()
    with pytest.raises(StoreClosed):
        house.service.writer.submit(lambda _: None)


def test_export_that_the_power_took_is_made_up_for(house):
    """Down at midnight, back the next day: the day that ended meanwhile is exported, and days before the first plan are not."""
    house.start()
    assert house.service.exporter.owed(house.now) == []
    house.service.close()
    house.now += DAY
    house.open()
    house.start()
    assert house.service.exporter.owed(house.now) == ["2026-03-02"]
    assert house.exported() == ["2026-03-02"]
    assert house.service.exporter.owed(house.now) == []


def test_last_day_before_a_long_stop_is_exported(house):
    """A board that was off for three weeks owes the day on which it was switched off, besides those of the last week; nothing between."""
    house.start()
    house.service.close()
    house.now += 21 * DAY
    house.open()
    house.start()
    owed = ["2026-03-02", *(f"2026-03-{day}" for day in range(16, 23))]
    assert house.service.exporter.owed(house.now) == owed
    house.service.export_day("2026-03-02")
    assert house.service.exporter.owed(house.now) == owed[1:]


def test_export_made_before_midnight_is_made_again_after_it(house):
    """Somebody looks at the day while it goes on; the whole day is exported all the same, as its next revision."""
    house.start()
    house.service.export_day("2026-03-02")
    house.now += DAY
    assert house.exported() == ["2026-03-02", "2026-03-02-r2"]
    manifest = json.loads((house.folder / "data/exports/ferncliff/2026-03-02-r2/manifest.json").read_text(encoding="utf-8"))
    assert manifest["day_over"] is True


def test_export_waits_an_hour_for_what_is_late_and_is_made_again_once_that_is_judged(house):
    """Where something is late all the time a re-judgement is owed nearly always: such a day still has its export."""
    house.start()
    owed = Late(house.now - HOUR)
    house.service.writer.submit(lambda conn: late.put_waiting(conn, owed)).result(10)
    house.now += 12 * HOUR + 6 * MINUTE
    assert house.exported() == []
    house.now += HOUR
    assert house.exported() == ["2026-03-02"]
    house.now += HOUR
    assert house.exported() == ["2026-03-02"]
    house.service.writer.submit(lambda conn: late.put_waiting(conn, None)).result(10)
    house.now += HOUR
    assert house.exported() == ["2026-03-02", "2026-03-02-r2"]
    house.now += HOUR
    assert house.service.exporter.owed(house.now) == []


def test_export_that_fails_rings_and_is_tried_again(house):
    """Nobody finds out months later that there is no export; what fails is tried again after an hour, not every second."""
    house.start()
    house.now += DAY
    blocked = house.folder / "data" / "exports"
    blocked.write_text("in the way", encoding="utf-8")
    assert house.exported() == []
    assert house.ringing() == ["export-failed/2026-03-02"]
    blocked.unlink()
    house.now += 30 * MINUTE
    assert house.exported() == []
    house.now += 31 * MINUTE
    assert house.exported() == ["2026-03-02"]
    assert house.ringing() == []


def test_export_with_no_room_for_its_work_is_one_sentence(house):
    """A data folder that cannot be written is told to who asked, and rings nothing for a day that goes on."""
    house.start()
    house.service.exporter._config = load_config(house.folder / "larderer.toml")
    object.__setattr__(house.service.exporter._config, "data", house.folder / "none")
    with pytest.raises(ExportError, match="the export of 2026-03-02 cannot be made"):
        house.service.export_day("2026-03-02")
    assert house.ringing() == []
