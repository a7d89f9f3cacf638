"""The whole service over real SQLite with probes to be checked: what the tests of checks and recalls share."""

import shutil
import subprocess
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor import ledger
from monitor.alarms.listing import open_alarms
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.desk import Hand
from monitor.export.day import Exported, export_day
from monitor.judge import judge_files
from monitor.service import Service
from monitor.store import readings
from rules.quantity import fahrenheit, parse_instant
from rules.reading import MINUTE, SECOND, Fault, Reading

START = parse_instant("2026-03-02T08:00:00-06:00")
DAY = "2026-03-02"
ODILE = Hand("Odile Marsh", "operator")
PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
altitude = "180 m"

[[room]]
id = "house-1"
kind = "chamber"
[[room]]
id = "cooler-1"
kind = "cooler"

[[probe]]
id = "core-1"
place = "core"
check_every = "7 days"
[[probe]]
id = "core-2"
place = "core"
[[probe]]
id = "cooler-air"
place = "cooler"
room = "cooler-1"
tolerance = "1.5 °F"

[[standing]]
room = "cooler-1"
[[standing.limit]]
name = "cooler air"
kind = "ceiling"
class = "critical"
place = "cooler"
max = "40 °F"
source = "invented for this test"

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

[[product]]
code = "sage-links"
name = "Sage turkey links"

[[product.step]]
name = "rest"
room = "cooler-1"
[[product.step.limit]]
name = "rest cold"
kind = "ceiling"
place = "core"
max = "40 °F"
source = "invented for this test"
"""
CONFIG = """
plan = "plan.toml"
data = "."

[server]
port = 0

[[person]]
name = "Odile Marsh"
role = "operator"
[[person]]
name = "Tam Okafor"
role = "reviewer"
"""


class Plant:
    """The whole service over real SQLite, without its page; the test moves the clock."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        (folder / "larderer.toml").write_text(CONFIG, encoding="utf-8")
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder, Server(port=0),
            persons=(Person("Odile Marsh", "operator"), Person("Tam Okafor", "reviewer")), alarms=AlarmsConfig(all_well=None),
        )  # fmt: skip
        self.now = START
        self.start()

    def start(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            self.service = Service(self.config, clock=lambda: self.now, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()
        self.desk = self.service.desk

    def restart(self) -> None:
        self.service.close()
        self.start()

    def read(self, probe: str, fahrenheits: float, minutes: float = 1.0) -> None:
        """One raw reading so many minutes from now, at which time it then is."""
        self.now += round(minutes * MINUTE)
        self.send(Reading(probe, self.now, fahrenheit(fahrenheits)))

    def send(self, *items: Reading | Fault) -> list[str]:
        return [outcome.what for outcome in self.service.intake.readings(items).result(10)]

    def tick(self, minutes: float = 0.0) -> None:
        self.now += round(minutes * MINUTE)
        self.service.writer.submit(lambda conn: self.service.pipeline.tick(conn, self.now)).result(10)

    def caught_up(self) -> None:
        """Let what is owed of a re-judgement be judged, as the service's thread does."""
        while self.service.judging.late is not None:
            if not self.service.writer.submit(self.service.pipeline.catch_up).result(30):
                break
        assert self.service.judging.late is None

    def cook(self, lot: str, hottest: float = 145.5, probe: str = "core-1") -> None:
        """A lot whose core stands at `hottest` °F for six minutes, then is ended cold."""
        self.desk.start_lot(ODILE, "juniper-links", lot=lot)
        self.desk.place(ODILE, lot, probe)
        for value in (120.0, 140.0, *[hottest] * 7, 130.0):
            self.read(probe, value)
        self.now += SECOND
        self.desk.end(ODILE, lot)

    def rest(self, lot: str, warmest: float) -> None:
        """A lot that rests cold, `warmest` °F at most."""
        self.desk.start_lot(ODILE, "sage-links", lot=lot)
        self.desk.place(ODILE, lot, "core-1")
        for value in (36.0, warmest, 36.0):
            self.read("core-1", value)
        self.now += SECOND
        self.desk.end(ODILE, lot)

    def verdict(self, lot: str) -> str:
        return str(next(one for one in self.service.pipeline.report()["lots"] if one["lot"] == lot)["verdict"])

    def entries(self, kind: str) -> list[dict[str, Any]]:
        with self.service.store.read() as conn:
            return [one.body for one in ledger.entries(conn, kind=kind)]

    def rung(self) -> set[str]:
        """The keys of the alarms whose condition stands."""
        with self.service.store.read() as conn:
            return {str(one["key"]) for one in open_alarms(conn, self.now) if one["active"] or one["latched"]}

    def stored(self) -> list[tuple[str, float, float]]:
        with self.service.store.read() as conn:
            rows = [s.item for s in readings.between(conn, 0, 1 << 60)]
        return [(r.probe, r.celsius, r.offset_c) for r in rows if isinstance(r, Reading)]

    def export(self, day: str = DAY) -> Exported:
        report = self.service.pipeline.report()
        return export_day(self.service.store, day, self.folder / "exports", self.service.key, now=self.now, live=report)

    @staticmethod
    def judged_again(folder: Path) -> dict[str, Any]:
        return judge_files(folder / "plan.toml", folder / "readings.csv", folder / "events.csv")

    @staticmethod
    def pdf_text(path: Path) -> str:
        """The words of a PDF, line breaks of its cells taken out."""
        tool = shutil.which("pdftotext")
        assert tool is not None, "pdftotext of poppler-utils is needed to read PDFs back"
        done = subprocess.run([tool, str(path), "-"], capture_output=True, text=True, check=True, timeout=60)
        return " ".join(done.stdout.split())

    @staticmethod
    def lots_of(report: dict[str, Any]) -> dict[str, str]:
        return {one["lot"]: one["verdict"] for one in report["lots"]}


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    made = Plant(tmp_path)
    yield made
    made.service.close()


@pytest.fixture
def new_plant(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Plant]:
    """A way to make plants; whoever makes one closes its service."""
    return lambda: Plant(tmp_path_factory.mktemp("plant"))
