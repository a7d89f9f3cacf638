"""A real store, a plan and a configuration for the alarms' tests. Site, products and people are invented."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import select, update

from monitor import ledger
from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import Cause
from monitor.alarms.tables import outbox
from monitor.config import AlarmsConfig, BellConfig, Config, Person, Rung
from monitor.store import readings
from monitor.store.database import Store
from rules.plan import Site
from rules.quantity import parse_instant
from rules.reading import MINUTE, Instant, Reading

SITE = Site("ferncliff", "Ferncliff Yard Smokehouse", "America/Chicago", "F")
START = parse_instant("2026-03-02T12:00:00-06:00")


@dataclass
class Bench:
    """One site's alarms on one real database file."""

    store: Store
    alarms: Alarms
    config: Config

    def rows(self, kind: str = "") -> list[dict[str, object]]:
        """Outbox rows in order."""
        with self.store.read() as conn:
            found = [dict(row) for row in conn.execute(select(outbox).order_by(outbox.c.id)).mappings()]
        return [row for row in found if kind in ("", row["kind"])]

    def bodies(self, kind: str = "") -> list[str]:
        """Outbox texts in order."""
        return [str(row["body"]) for row in self.rows(kind)]

    def raise_(self, cause: Cause, now: Instant) -> int:
        """Raise in a transaction of its own."""
        with self.store.write() as conn:
            return self.alarms.raise_(conn, cause, now)

    def clear(self, key: str, now: Instant, member: str = "") -> None:
        """Clear in a transaction of its own."""
        with self.store.write() as conn:
            self.alarms.clear(conn, key, now, member)

    def due(self, now: Instant) -> Instant | None:
        """Do what is due in a transaction of its own."""
        with self.store.write() as conn:
            return self.alarms.due(conn, now)

    def acknowledge(self, alarm: int | str, now: Instant, by: str = "Odile Marsh", comment: str = "") -> dict[str, object]:
        """Acknowledge in a transaction of its own."""
        with self.store.write() as conn:
            return self.alarms.acknowledge(conn, alarm, by, now, comment)

    def open(self, now: Instant | None = None) -> list[dict[str, object]]:
        """Open alarms."""
        with self.store.read() as conn:
            return self.alarms.open_alarms(conn, now)

    def read(self, probe: str, at: Instant, celsius: float, suspect: str = "") -> None:
        """Store one reading, as the pipeline does."""
        with self.store.write() as conn:
            readings.store(conn, [readings.Arrival(Reading(probe, at, celsius, 0.0, suspect), at)])

    def deliver(self) -> None:
        """Mark what waits as sent, as the courier does."""
        with self.store.write() as conn:
            for row in conn.execute(select(outbox).where(outbox.c.state == "waiting")).mappings().all():
                taken = json.loads(row["routes"])[row["route"]]
                conn.execute(update(outbox).where(outbox.c.id == row["id"]).values(state="sent", bell=taken))

    def letters(self) -> list[str]:
        """Letters of the open alarms, by number."""
        return [str(a["letter"]) for a in sorted(self.open(), key=lambda a: int(str(a["number"])))]


def configured(tmp_path: Path, **changes: object) -> Config:
    """Odile at once, Tam after ten minutes, a siren at once for what is critical."""
    plain = Config(
        path=tmp_path / "larderer.toml",
        plan=tmp_path / "plan.toml",
        data=tmp_path / "data",
        persons=(Person("Odile Marsh", "operator", ("odile-phone", "odile-mail")), Person("Tam Okafor", "reviewer", ("tam-phone",))),
        bells=(
            *(BellConfig(name, program=(sys.executable,)) for name in ("odile-phone", "odile-mail", "tam-phone")),
            BellConfig("siren", topic="ferncliff/siren"),
            BellConfig("lamp", topic="ferncliff/lamp", off_when="cleared"),
        ),
        escalation=(
            Rung(0, persons=("Odile Marsh",)),
            Rung(0, bells=("siren", "lamp"), at_least="critical"),
            Rung(10 * MINUTE, persons=("Tam Okafor",), at_least="medium"),
        ),
        alarms=AlarmsConfig(all_well=None),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]  # test data


@pytest.fixture
def make_config(tmp_path: Path) -> Callable[..., Config]:
    """Builds the usual configuration, with changes."""
    return partial(configured, tmp_path)


@pytest.fixture
def make_bench(tmp_path: Path, database: str) -> Iterator[Callable[..., Bench]]:
    """Builds a bench; `store` reopens the same file."""
    stores: list[Store] = []

    def make(link: Callable[[int, str, Instant], str] | None = None, **changes: object) -> Bench:
        config = configured(tmp_path, **changes)
        store = Store(database).open()
        stores.append(store)
        return Bench(store, Alarms(config, SITE, ledger.append, link), config)

    yield make
    for store in stores:
        store.close()


@pytest.fixture
def bench(make_bench: Callable[..., Bench]) -> Bench:
    """A bench with the usual configuration."""
    return make_bench()


@pytest.fixture
def start() -> Instant:
    """Noon at the site."""
    return START


@pytest.fixture
def site() -> Site:
    """The invented site."""
    return SITE


@pytest.fixture
def cooler() -> Cause:
    """An operating limit of a room: clears by itself."""
    return Cause(
        "verdict/room/cooler-1/cooler air", "cooler air limit not met", "room cooler-1", START, "cooler-1 was above 40 °F for 60 min.",
        "medium", 2, limit="at most 40 °F, 1 h over allowed", do=("Close the door and look at the fan.",), member="air-1",
    )  # fmt: skip


@pytest.fixture
def critical() -> Cause:
    """A critical limit of a lot: latched until its record is closed."""
    return Cause(
        "verdict/J-0412/chill/stabilization", "stabilization limit not met", "J-0412 chill, core-1", START,
        "80 °F was not reached within 5 h; the core was at 91.4 °F.", "critical", 2, critical=True, latched=True,
        limit="130 °F to 80 °F within 5 h to 45 °F within 10 h",
        do=("Hold the lot and mark it.", "Get it into the cold.", "Call the reviewer."), member="core-1", lot="J-0412",
    )  # fmt: skip
