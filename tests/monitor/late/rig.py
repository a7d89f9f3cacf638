"""A service on a real store whose readings a test delivers as late as it likes, and the clean judgement to hold it against."""

import random
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from monitor import ledger
from monitor.alarms.listing import open_alarms
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.service import Service
from monitor.store import events, readings
from rules.engine import Engine
from rules.history import arrange
from rules.plan import Plan
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Fault, LotEvent, Reading, Tick
from tests.ferncliff import COOLER, SITE, START

LINKS = """
[[room]]
id = "house-1"
kind = "chamber"
[[probe]]
id = "core-1"
place = "core"
[[probe]]
id = "core-2"
place = "core"
uncertainty = "0.5 °F"

[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"

[[product.step]]
name = "cook"
room = "house-1"
advance = { when = "lethality met", how = "ask", confirm_within = "20 min" }
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
rows = [{ at = "145 °F", for = "4 min" }, { at = "150 °F", for = "67 s" }]
source = "invented for this test"
[[product.step]]
name = "chill"
room = "cooler-1"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
place = "core"
start = "130 °F"
windows = [{ to = "80 °F", within = "90 min" }, { to = "45 °F", within = "5 h" }]
source = "invented for this test"
[[product.step.limit]]
name = "cold by the end"
kind = "exposure"
class = "operating"
place = "core"
tiers = [{ above = "70 °F", within = "100 min" }]
source = "invented for this test"
"""
PLAN = SITE + COOLER + LINKS


HOURS = 9
ENTRIES = [
    LotEvent(START, "start", "J-0412", "juniper-links"),
    LotEvent(START + 1, "place", "J-0412", "core-1"),
    LotEvent(START + 2, "place", "J-0412", "core-2"),
    LotEvent(START + 160 * MINUTE, "step", "J-0412", "chill"),
    LotEvent(START + 9 * HOUR - MINUTE, "end", "J-0412"),
]


def cook(seed: int, step: int = MINUTE) -> list[Reading | Fault]:
    """Nine hours of two cores and the cooler's air: up to the hold, then down, with a fault here and there."""
    chance = random.Random(seed)
    peak, slow = chance.uniform(146, 158), chance.uniform(0.5, 0.9)
    rows: list[Reading | Fault] = []
    for at in range(START, START + HOURS * HOUR, step):
        minutes = (at - START) / MINUTE
        if minutes < 150:
            core = 60 + (peak - 60) * min(1.0, minutes / 130)
        else:
            core = 38 + (peak - 38) * 2 ** (-(minutes - 150) / (60 / slow * 0.7))
        for probe, more in (("core-1", 0.0), ("core-2", 1.5)):
            reading = Reading(probe, at, fahrenheit(round(core + more + chance.uniform(-0.4, 0.4), 1)))
            rows.append(Fault(probe, at, "open circuit") if chance.random() < 0.01 else reading)
        rows.append(Reading("cooler-air", at, fahrenheit(round(chance.uniform(36, 39.9 if chance.random() < 0.97 else 42.0), 1))))
    return rows


def clean(plan: Plan, items: list[Any], now: int) -> dict[str, Any]:
    """The report of an engine that is given everything in the right order."""
    engine = Engine(plan)
    for item in arrange(items):
        engine.feed(item)
    engine.feed(Tick(now))
    return engine.report()


class Rig:
    """The whole service over real SQLite with none of its threads but the writer: the test says what comes when, and when it catches up."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder, Server(port=0),
            persons=(Person("Odile Marsh", "operator"), Person("Tam Okafor", "reviewer")), alarms=AlarmsConfig(all_well=None),
        )  # fmt: skip
        self.now = START
        self.begin()

    def begin(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            self.service = Service(self.config, clock=lambda: self.now, drivers=(), tick_s=3600.0, exports=False)
        self.run(lambda conn: self.service.pipeline.start(conn, self.now))

    def run(self, job: Callable[[Any], Any]) -> Any:
        return self.service.writer.submit(job).result(60)

    def restart(self) -> None:
        self.service.close()
        self.begin()

    def enter(self, event: LotEvent) -> None:
        self.run(lambda conn: self.service.pipeline.event(conn, event))

    def send(self, items: Sequence[Reading | Fault]) -> list[str]:
        return [outcome.what for outcome in self.service.intake.readings(items).result(60)]

    def tick(self) -> None:
        self.run(lambda conn: self.service.pipeline.tick(conn, self.now))

    def slice(self) -> bool:
        return bool(self.run(self.service.pipeline.catch_up))

    def catch_up(self) -> None:
        while self.service.judging.late is not None:
            self.slice()

    def everything(self) -> list[Any]:
        with self.service.store.read() as conn:
            return [*(e.event for e in events.since(conn)), *(r.item for r in readings.between(conn, -1, 1 << 60))]

    def records(self, kind: str) -> list[dict[str, Any]]:
        with self.service.store.read() as conn:
            return [entry.body for entry in ledger.entries(conn, kind=kind)]

    def standing(self) -> set[str]:
        with self.service.store.read() as conn:
            return {row["key"] for row in open_alarms(conn, self.now) if row["active"]}

    def told(self) -> dict[tuple[str, ...], str]:
        """The last word of the ledger on each watch of a lot, over findings and corrections."""
        last: dict[tuple[str, ...], str] = {}
        with self.service.store.read() as conn:
            for entry in ledger.entries(conn):
                body = entry.body
                if entry.kind in ("finding", "correction") and body["lot"]:
                    what = body["what"] if entry.kind == "finding" else body["now"]
                    if what in ("met", "deviated", "unproven", "open"):
                        last[body["lot"], body["step"], body["limit"], body["probe"]] = what
        return last

    def agrees(self) -> None:
        """The live verdicts are those of a clean judge over everything stored, and the ledger's last words are they."""
        self.now += SECOND  # closings wait for readings of their own instant
        self.tick()
        report = self.service.pipeline.report()
        again = clean(self.service.plan, self.everything(), self.now)
        assert report["lots"] == again["lots"]
        assert report["standing"] == again["standing"]
        verdicts = {
            (lot["lot"], limit["step"], limit["limit"], watch["probe"]): watch["verdict"]
            for lot in report["lots"]
            for limit in lot["limits"]
            for watch in limit["watches"]
        }
        assert {key: what for key, what in self.told().items() if what != "open"} == {k: v for k, v in verdicts.items() if v != "open"}
        with self.service.store.read() as conn:
            assert ledger.verify(conn) == []


def send_all(rig: Rig, rows: Sequence[Reading | Fault]) -> None:
    """In time: the clock goes with the readings, a batch each half hour."""
    batch: list[Reading | Fault] = []
    for row in rows:
        if batch and row.at - batch[0].at >= 25 * MINUTE:
            rig.send(batch)
            batch = []
        rig.now = max(rig.now, row.at)
        batch.append(row)
    if batch:
        rig.send(batch)


def split(rows: Sequence[Reading | Fault], probe: str, after: int, until: int) -> tuple[list[Reading | Fault], list[Reading | Fault]]:
    """The rows in time, and those of `probe` between two minutes, which come late."""
    kept = [r for r in rows if r.probe == probe and START + after * MINUTE <= r.at < START + until * MINUTE]
    return [r for r in rows if r not in kept], kept
