"""Late readings through the real store: whatever comes when, the verdicts are those of the right order, and live judging goes on."""

import random
import warnings
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor import judging as judging_module
from monitor import late, ledger
from monitor.alarms.listing import open_alarms
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.judge import judge
from monitor.service import Service
from monitor.store import events, readings, snapshots
from monitor.store.readings import Arrival
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, LotEvent, Reading

START = parse_instant("2026-03-02T08:00:00-06:00")
PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"

[[room]]
id = "house-1"
kind = "chamber"
[[room]]
id = "cooler-1"
kind = "cooler"

[[probe]]
id = "core-1"
place = "core"
[[probe]]
id = "core-2"
place = "core"
uncertainty = "0.5 °F"
[[probe]]
id = "cooler-air"
place = "cooler"
room = "cooler-1"

[[standing]]
room = "cooler-1"
[[standing.limit]]
name = "cooler air"
kind = "ceiling"
class = "operating"
place = "cooler"
max = "40 °F"
source = "invented for this test"

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
HOURS = 9


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


ENTRIES = [
    LotEvent(START, "start", "J-0412", "juniper-links"),
    LotEvent(START + 1, "place", "J-0412", "core-1"),
    LotEvent(START + 2, "place", "J-0412", "core-2"),
    LotEvent(START + 160 * MINUTE, "step", "J-0412", "chill"),
    LotEvent(START + 9 * HOUR - MINUTE, "end", "J-0412"),
]


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
        again = judge(self.service.plan, self.everything(), self.now)
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


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    yield rig
    rig.service.close()


@pytest.fixture
def never_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """However cheap it is, what is late is caught up with in slices."""
    monkeypatch.setattr(judging_module, "AT_ONCE", -1)


def deliver(rig: Rig, seed: int, at_once: int, share: float, most_late: int) -> None:
    """A random part of everything comes up to `most_late` late, in random batches, while entries come in time."""
    chance = random.Random(seed)
    rows = cook(seed)
    outage = sorted(chance.randrange(HOURS * 60) for _ in range(2))

    def received(row: Reading | Fault) -> int:
        minute = (row.at - START) // MINUTE
        if outage[0] <= minute < outage[1] and row.probe == "core-1":  # a gateway that kept what it could not send
            return START + outage[1] * MINUTE + chance.randrange(0, 20) * MINUTE
        late_by = chance.randrange(0, most_late) if chance.random() < share else 0
        return row.at + late_by

    come: list[tuple[int, int, Any]] = [(received(row), 1, row) for row in rows] + [(e.at, 0, e) for e in ENTRIES]
    come.sort(key=lambda one: one[:2])
    batch: list[Reading | Fault] = []
    judging_module.AT_ONCE = at_once
    for when, _, what in come:
        rig.now = max(rig.now, when)
        if isinstance(what, LotEvent):
            if batch:
                rig.send(batch)
                batch = []
            rig.enter(what)
            continue
        batch.append(what)
        if chance.random() < 0.02:
            if chance.random() < 0.5:
                chance.shuffle(batch)
            rig.send(batch)
            batch = []
            for _ in range(chance.choice((0, 0, 1, 3))):
                rig.slice()
            if chance.random() < 0.3:
                rig.tick()
            if chance.random() < 0.01:
                rig.restart()
    if batch:
        rig.send(batch)


def law(tmp_path_factory: pytest.TempPathFactory, seed: int, at_once: int, share: float, most_late: int) -> None:
    rig = Rig(tmp_path_factory.mktemp("law"))
    before, slice_ = judging_module.AT_ONCE, judging_module.Replay.step.__defaults__
    judging_module.Replay.step.__defaults__ = (40,)  # slices so small that much comes between them
    try:
        deliver(rig, seed, at_once, share, most_late)
        rig.catch_up()
        rig.agrees()
        assert rig.service.pipeline.report()["lots"][0]["verdict"] != "open"
        rig.restart()
        rig.agrees()
    finally:
        judging_module.AT_ONCE, judging_module.Replay.step.__defaults__ = before, slice_
        rig.service.close()


DRAWN = {
    "seed": st.integers(0, 10_000),
    "at_once": st.sampled_from((-1, 60, 500, 20_000)),
    "share": st.sampled_from((0.0, 0.01, 0.3)),
    "most_late": st.sampled_from((5 * SECOND, 10 * MINUTE, 10 * HOUR)),
}
QUIET = {"deadline": None, "suppress_health_check": list(HealthCheck)}


@settings(max_examples=8, **QUIET)  # type: ignore[arg-type]  # a mapping of settings
@given(**DRAWN)
def test_late_delivery_ends_in_the_verdicts_of_the_right_order(
    tmp_path_factory: pytest.TempPathFactory, seed: int, at_once: int, share: float, most_late: int
) -> None:
    """Any subset, however late, in any batches, with restarts between: the same report as a clean judge, and the ledger says so."""
    law(tmp_path_factory, seed, at_once, share, most_late)


@pytest.mark.full
@pytest.mark.timeout(3600)
@settings(max_examples=300, **QUIET)  # type: ignore[arg-type]  # a mapping of settings
@given(**DRAWN)
def test_late_delivery_ends_in_the_verdicts_of_the_right_order_many_times(
    tmp_path_factory: pytest.TempPathFactory, seed: int, at_once: int, share: float, most_late: int
) -> None:
    """The same law, often."""
    law(tmp_path_factory, seed, at_once, share, most_late)
