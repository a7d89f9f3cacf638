"""A small day at Ferncliff Yard in a real store. All figures of the day are invented."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection

from monitor import calibrations, ledger, reviews
from monitor.export.day import Exported, export_day
from monitor.keys import site_key
from monitor.store import events, plans, readings
from monitor.store.database import Store
from rules.engine import Engine
from rules.history import arrange
from rules.plan_load import load_plan
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, Instant, LotEvent, Reading

PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
altitude = "180 m"
books = ["us-inspected-2021", "trade-practice"]

[[room]]
id = "cutting"
kind = "work"
[[room]]
id = "house-1"
kind = "chamber"
[[room]]
id = "cooler-1"
kind = "cooler"

[[probe]]
id = "core-1"
place = "core"
uncertainty = "0.5 °F"
[[probe]]
id = "core-2"
place = "core"
uncertainty = "0.5 °F"
[[probe]]
id = "house-air"
place = "chamber"
room = "house-1"
uncertainty = "1 °F"
[[probe]]
id = "cooler-air"
place = "cooler"
room = "cooler-1"
uncertainty = "1 °F"

[[standing]]
room = "cooler-1"
[[standing.limit]]
name = "cooler air"
kind = "ceiling"
class = "operating"
place = "cooler"
max = "40 °F"
allowed = "60 min"
source = "common practice"

[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
species = "meat"
cured = true

[[product.step]]
name = "grind"
room = "cutting"
[[product.step.limit]]
name = "grind cold"
kind = "ceiling"
class = "operating"
place = "core"
max = "34 °F"
allowed = "20 min"
source = "common practice"
do = ["Stop. Re-chill the meat for about half an hour."]

[[product.step]]
name = "cook"
room = "house-1"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
book = "us-inspected-2021/meat-6.5-log"
[[product.step.limit]]
name = "come-up"
kind = "come-up"
place = "core"
low = "50 °F"
high = "130 °F"
within = "6 h"
source = "FSIS-GD-2021-14, p. 20"

[[product.step]]
name = "chill"
room = "cooler-1"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
place = "core"
book = "us-inspected-2021/cooling-option-1"
confirmed = "O. Marsh, 2026-01-12, against the establishment's copy"
"""

DAY = "2026-03-02"
MIDNIGHT: Instant = parse_instant("2026-03-02T00:00:00-06:00")
EIGHT = MIDNIGHT + 8 * HOUR
NEXT = MIDNIGHT + 24 * HOUR


def core(after_start: int, lag: float = 0.0) -> float:
    """An invented core temperature, °C, so long after the start: ground, cooked, chilled."""
    h = after_start / HOUR
    if h < 1:
        return fahrenheit(33 + 3 * math.exp(-(((h - 0.6) / 0.1) ** 2)))
    if h < 6:
        return fahrenheit(156 - lag - (156 - lag - 33) * math.exp(-(h - 1) / 1.3))
    warm = 156 - lag - (156 - lag - 33) * math.exp(-5 / 1.3)
    return fahrenheit(34 + (warm - 34) * math.exp(-(h - 6) / (1.1 + lag / 10)))


@dataclass
class Site:
    """A store, its folder, and the day's export at hand."""

    store: Store
    folder: Path

    def export(self, day: str = DAY, *, now: Instant = NEXT + 5 * MINUTE, live: dict[str, Any] | None = None, **more: Any) -> Exported:
        return export_day(
            self.store, day, self.folder / "exports", site_key(self.folder / "keys"), now=now, live=live, program="larderer test", **more
        )

    def write(self, job: Callable[[Connection], Any]) -> Any:
        with self.store.write() as conn:
            return job(conn)

    def lot(self, lot: str, at: Instant, probes: dict[str, float], *, ends: bool = True) -> None:
        """Enter a lot with its probes (name: how far it lags), its steps, and its readings each minute."""
        listed = [LotEvent(at, "start", lot, "juniper-links", by="Odile Marsh")]
        listed += [LotEvent(at, "place", lot, p, by="Odile Marsh") for p in probes]
        listed += [
            LotEvent(at + HOUR, "step", lot, "cook", by="Odile Marsh"),
            LotEvent(at + 6 * HOUR, "step", lot, "chill", by="Odile Marsh"),
        ]
        if ends:
            listed.append(LotEvent(at + 13 * HOUR, "end", lot, by="Odile Marsh"))
        rows = [
            readings.Arrival(Reading(p, at + m * MINUTE, core(m * MINUTE, lag), -0.1), at + m * MINUTE + SECOND)
            for m in range(13 * 60 + 1)
            for p, lag in probes.items()
        ]
        self.arrive(rows)
        self.write(lambda conn: [events.add(conn, e, e.at) for e in listed])

    def arrive(self, rows: list[readings.Arrival], seal_every: int = 500) -> None:
        def job(conn: Connection) -> None:
            for n in range(0, len(rows), seal_every):
                readings.store(conn, rows[n : n + seal_every])
                ledger.seal(conn, rows[min(n + seal_every, len(rows)) - 1].received_at, entered_at=rows[n].received_at)

        self.write(job)

    def record_findings(self, now: Instant) -> dict[str, Any]:
        """Judge everything stored as the service would and put its findings into the ledger; returns the report."""

        def job(conn: Connection) -> dict[str, Any]:
            version = plans.in_force(conn, now)
            assert version is not None
            engine = Engine(load_plan(version.text))
            items = [s.item for s in readings.between(conn, 0, now)]
            found = [f for item in arrange([*(e.event for e in events.since(conn)), *items]) for f in engine.feed(item)]
            for f in found:
                ledger.append(conn, "finding", f._asdict(), f.at, entered_at=f.known_at or f.at)
            return engine.report()

        return dict(self.write(job))


def fill(site: Site) -> None:
    """One lot whose second link cools too slowly; a fault, a gap, a late reading, a check, a review."""
    site.lot("J-0302", EIGHT, {"core-1": 0.0, "core-2": 11.0})
    air = [
        readings.Arrival(Reading("cooler-air", MIDNIGHT + m * MINUTE, fahrenheit(36 + (m % 90 == 0))), MIDNIGHT + m * MINUTE)
        for m in range(0, 1440, 2)
    ]
    house = [
        readings.Arrival(Reading("house-air", EIGHT + HOUR + m * MINUTE, fahrenheit(165 + (m % 7))), EIGHT + HOUR + m * MINUTE)
        for m in range(300)
        if not 100 < m < 170
    ]
    extra = [
        readings.Arrival(Fault("house-air", EIGHT + 3 * HOUR, "open circuit", "n/a, 7"), EIGHT + 3 * HOUR),
        readings.Arrival(Reading("house-air", EIGHT + 4 * HOUR + SECOND, 85.0, 0.0, "possible error code"), EIGHT + 4 * HOUR + SECOND),
        readings.Arrival(Reading("cooler-air", EIGHT + 5 * HOUR + 30 * SECOND, 2.5), EIGHT + 9 * HOUR, "late"),
        readings.Arrival(Reading("cooler-air", EIGHT + 6 * HOUR + 30 * SECOND, 2.5), EIGHT + 5 * HOUR, "future"),
    ]
    site.arrive([*air, *house, *extra])
    site.record_findings(NEXT)

    def papers(conn: Connection) -> None:
        found = calibrations.Found("core-1", "ice-point", 0.0, 0.1)
        calibrations.add(conn, found, tolerance_c=1.0, at=EIGHT - HOUR, entered=None, by="Odile Marsh", now=EIGHT - HOUR)
        facts = {
            "lot": "J-0302", "step": "chill", "limit": "stabilization", "limit_text": "130 °F to 80 °F within 1 h 30 min",
            "observed": [{"at": "2026-03-02T21:45:00Z", "probe": "core-2", "verdict": "deviated", "text": "80 °F not reached in time"}],
        }  # fmt: skip
        ledger.append(
            conn,
            "deviation",
            {"deviation": "D1", "what": "opened", "verdict": "deviated", **facts},
            EIGHT + 8 * HOUR,
            entered_at=EIGHT + 8 * HOUR,
        )
        note = {"deviation": "D1", "what": "action", "text": "Lot held on rack 4, tag 17.", "planned": True}
        ledger.append(conn, "deviation", note, EIGHT + 9 * HOUR, "Odile Marsh", entered_at=EIGHT + 9 * HOUR)
        reviews.sign(conn, DAY, "Tam Okafor", NEXT + 2 * MINUTE, makers={"Odile Marsh"}, comment="Looked through all of it.")

    site.write(papers)


@pytest.fixture
def empty_site(tmp_path: Path) -> Iterator[Site]:
    """A store with the plan in force and nothing else."""
    with Store(tmp_path / "data" / "larderer.sqlite") as store:
        site = Site(store, tmp_path / "data")
        plan = load_plan(PLAN)
        site.write(lambda conn: plans.put(conn, plan.sha256, PLAN, MIDNIGHT - 24 * HOUR))
        yield site


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The data folder of a whole day, made once; tests work on copies."""
    data = tmp_path_factory.mktemp("made") / "data"
    with Store(data / "larderer.sqlite") as store:
        site = Site(store, data)
        plan = load_plan(PLAN)
        site.write(lambda conn: plans.put(conn, plan.sha256, PLAN, MIDNIGHT - 24 * HOUR))
        fill(site)
    return data


@pytest.fixture(scope="session")
def made_export(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, with the day exported."""
    data = tmp_path_factory.mktemp("exported") / "data"
    shutil.copytree(made, data)
    with Store(data / "larderer.sqlite") as store:
        Site(store, data).export()
    return data


@pytest.fixture
def site(made: Path, tmp_path: Path) -> Iterator[Site]:
    """The day in a store of its own."""
    shutil.copytree(made, tmp_path / "data")
    with Store(tmp_path / "data" / "larderer.sqlite") as store:
        yield Site(store, tmp_path / "data")


@pytest.fixture
def exported(made_export: Path, tmp_path: Path) -> Path:
    """The day's export, free to be tampered with; its keys are two folders up, in `keys`."""
    shutil.copytree(made_export, tmp_path / "data")
    return tmp_path / "data" / "exports" / "ferncliff" / DAY


@pytest.fixture
def site_and_rules() -> dict[str, Any]:
    """Names of this file that tests need, since a conftest is not imported."""
    return {"MIDNIGHT": MIDNIGHT, "EIGHT": EIGHT, "NEXT": NEXT, "PLAN": PLAN}
