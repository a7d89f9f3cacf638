"""Probes that fall silent together, or with their source, are one trouble and are told once."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select, update

from monitor import ledger
from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import source_gone
from monitor.alarms.listing import open_alarms
from monitor.alarms.tables import outbox
from monitor.config import AlarmsConfig, BellConfig, Config, Person, Rung
from monitor.probe_watch import ProbeWatch
from monitor.sources import Sources
from monitor.store.database import Store
from rules.engine import Engine
from rules.plan_load import load_plan
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Instant, LotEvent, Reading
from tests.ferncliff import GRIND

START = parse_instant("2026-03-02T22:00:00-06:00")
_ROOM = """
[[room]]
id = "cooler-{n}"
kind = "cooler"
[[standing]]
room = "cooler-{n}"
[[standing.limit]]
name = "cooler air"
kind = "ceiling"
class = "operating"
place = "cooler"
max = "40 °F"
source = "invented for this test"
"""
_PROBE = '[[probe]]\nid = "air-{n}{m}"\nplace = "cooler"\nroom = "cooler-{n}"\n'
PLAN = (
    '[site]\nid = "ferncliff"\nname = "Ferncliff Yard Smokehouse"\ntimezone = "America/Chicago"\nunit = "F"\n'
    + "".join(_ROOM.format(n=n) for n in (1, 2))
    + "".join(_PROBE.format(n=n, m=m) for n in (1, 2) for m in "abc")
)
PROBES = [f"air-{n}{m}" for n in (1, 2) for m in "abc"]


class Watched:
    """Six air probes in two coolers, on a real store and a real engine; the test is the clock."""

    def __init__(self, folder: Path) -> None:
        (folder / "horn").write_text("")
        self.plan = load_plan(PLAN, "plan.toml")
        config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder, persons=(Person("Odile Marsh", "operator", ("phone",)),),
            bells=(BellConfig("phone", program=("/bin/true",)),), escalation=(Rung(0, persons=("Odile Marsh",)),),
            alarms=AlarmsConfig(all_well=None),
        )  # fmt: skip
        self.store = Store(folder / "larderer.sqlite").open()
        self.alarms, self.engine, self.sources = Alarms(config, self.plan.site, ledger.append), Engine(self.plan), Sources()
        self.watch = ProbeWatch(self.alarms, self.sources.gone)
        self.now = START

    def read(self, *probes: str) -> None:
        for probe in probes:
            self.engine.feed(Reading(probe, self.now, 2.0))
        with self.store.write() as conn:
            self.watch.hear(conn, [Reading(probe, self.now, 2.0) for probe in probes], self.now)

    def pass_(self, span: Instant, *reading: str) -> None:
        """Time goes on in steps of ten seconds, as ticks do; these probes go on reading."""
        for _ in range(span // (10 * SECOND)):
            self.now += 10 * SECOND
            if reading:
                self.read(*reading)
            with self.store.write() as conn:
                self.watch.look(conn, self.plan, self.engine, self.now)

    def replan(self, plan: str) -> None:
        self.plan = load_plan(plan, "plan.toml")
        self.engine = Engine(self.plan)

    def acknowledge(self) -> None:
        """Odile has seen all that stands; what was to be told is told."""
        with self.store.write() as conn:
            conn.execute(update(outbox).values(state="sent"))
            for one in open_alarms(conn, self.now):
                self.alarms.acknowledge(conn, one["id"], "Odile Marsh", self.now)

    def standing(self) -> dict[str, list[str]]:
        with self.store.read() as conn:
            return {a["key"]: a["members"] for a in open_alarms(conn, self.now) if a["active"]}

    def told(self) -> list[str]:
        with self.store.read() as conn:
            return [
                str(b).splitlines()[0] for b in conn.scalars(select(outbox.c.body).where(outbox.c.kind == "alarm").order_by(outbox.c.id))
            ]


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    one = Watched(tmp_path)
    yield one
    one.store.close()


def test_probes_that_fall_silent_together_are_one_message(watched: Watched) -> None:
    """A gateway dies: its probes had last read at seconds of their own."""
    for probe, late in zip(PROBES[:4], itertools.count(), strict=False):
        watched.now = START + late * 5 * SECOND
        watched.read(probe)
    watched.read(*PROBES[4:])
    watched.pass_(5 * MINUTE, *PROBES[4:])
    assert watched.standing() == {"probe/air-1a/silent": PROBES[:4]}
    assert len(watched.told()) == 1
    assert "4 probes are silent (air-1a, air-1b…" in watched.told()[0]
    assert len(watched.told()[0]) <= 160


def test_group_is_over_once_each_of_its_probes_reads_again(watched: Watched) -> None:
    """The last one to come back ends it; one that falls silent anew meanwhile rings by itself."""
    watched.read(*PROBES)
    watched.pass_(4 * MINUTE, *PROBES[2:])
    assert watched.standing() == {"probe/air-1a/silent": ["air-1a", "air-1b"]}
    watched.pass_(MINUTE, "air-1a", *PROBES[2:])
    assert watched.standing() == {"probe/air-1a/silent": ["air-1b"]}
    watched.pass_(5 * MINUTE, *PROBES[2:])
    assert sorted(watched.standing().values()) == [["air-1a"], ["air-1b"]]
    assert len(watched.told()) == 2
    watched.pass_(MINUTE, *PROBES)
    assert watched.standing() == {}


def test_one_that_falls_silent_later_is_a_message_of_its_own(watched: Watched) -> None:
    """Another probe an hour on is another trouble, although the first still stands."""
    watched.read(*PROBES)
    watched.pass_(60 * MINUTE, *PROBES[1:])
    watched.pass_(5 * MINUTE, *PROBES[2:])
    assert watched.standing() == {"probe/air-1a/silent": ["air-1a"], "probe/air-1b/silent": ["air-1b"]}
    assert len(watched.told()) == 2


def test_probes_of_a_source_that_is_gone_are_told_by_the_sources_message(watched: Watched) -> None:
    """The broker goes: one message; it comes back without one of the probes: that one rings by itself."""
    sink = watched.sources.through("mqtt", Nothing())
    sink.readings([Reading(p, watched.now, 2.0) for p in PROBES])
    watched.read(*PROBES)
    watched.now += SECOND
    watched.sources.connected["mqtt"] = False
    gone = source_gone("mqtt", watched.now, "The broker cannot be reached.")
    with watched.store.write() as conn:
        watched.alarms.raise_(conn, gone, watched.now)
    watched.pass_(20 * MINUTE)
    assert watched.standing() == {gone.key: ["", *PROBES]}
    assert [line.partition(":")[2][:22] for line in watched.told()] == [" source mqtt is gone, "]
    watched.sources.connected["mqtt"] = True
    with watched.store.write() as conn:
        watched.alarms.clear(conn, gone.key, watched.now)
    watched.pass_(MINUTE, *PROBES[1:])
    assert watched.standing() == {"probe/air-1a/silent": ["air-1a"]}


def test_probe_of_a_device_that_is_gone_is_told_by_the_devices_message(watched: Watched) -> None:
    """A driver of several devices tells each one's outage under its own name: the other device's probe still rings by itself."""
    own = {"air-1a": "Bluetooth C4:7C:8D:00:00:01", "air-1b": "Bluetooth C4:7C:8D:00:00:02"}
    watched.sources.through("Bluetooth", Nothing(), own).readings([Reading(probe, watched.now, 2.0) for probe in own])
    watched.read(*PROBES)
    watched.now += SECOND
    watched.sources.connected |= {own["air-1a"]: False, own["air-1b"]: True}
    gone = source_gone(own["air-1a"], watched.now, "No connection.")
    with watched.store.write() as conn:
        watched.alarms.raise_(conn, gone, watched.now)
    watched.pass_(10 * MINUTE, *PROBES[2:])
    assert watched.standing() == {gone.key: ["", "air-1a"], "probe/air-1b/silent": ["air-1b"]}
    assert len(watched.told()) == 2


def test_probe_of_another_source_rings_while_one_source_is_gone(watched: Watched) -> None:
    """What is gone explains only what came through it."""
    watched.sources.through("bus", Nothing()).readings([Reading("air-2a", watched.now, 2.0)])
    watched.sources.connected["mqtt"] = False
    watched.read(*PROBES)
    watched.pass_(4 * MINUTE, *PROBES[:3], *PROBES[4:])
    assert watched.standing() == {"probe/air-2a/silent": ["air-2a"]}


def test_group_survives_a_restart_without_ringing_again(watched: Watched) -> None:
    """What stands is read from the store."""
    watched.read(*PROBES)
    watched.pass_(4 * MINUTE, *PROBES[2:])
    watched.watch = ProbeWatch(watched.alarms, watched.sources.gone)
    watched.pass_(4 * MINUTE, *PROBES[2:])
    assert len(watched.told()) == 1
    watched.pass_(MINUTE, *PROBES)
    assert watched.standing() == {}


class Nothing:
    """A sink that only takes."""

    def readings(self, items: object) -> None:
        """Take."""

    def state(self, source: str, connected: bool, text: str) -> None:
        """Hear."""


_SLOWER = re.sub('id = "air-1[bc]"\n', r'\g<0>silent_after = "10 min"\n', PLAN)


def test_probe_that_joins_an_acknowledged_group_rings_at_once_and_names_all(watched: Watched) -> None:
    """Two probes of the dead gateway are allowed longer silence: who has seen the first is told, in one message, of the two others."""
    watched.replan(_SLOWER)
    watched.read(*PROBES)
    watched.pass_(5 * MINUTE, *PROBES[3:])
    assert watched.standing() == {"probe/air-1a/silent": ["air-1a"]}
    watched.acknowledge()
    watched.pass_(6 * MINUTE, *PROBES[3:])
    assert watched.standing() == {"probe/air-1a/silent": PROBES[:3]}
    first, second = watched.told()
    assert "probe air-1a is silent" in first
    assert "ALSO" in second
    assert "3 probes are silent (air-1b, air-1c…" in second
    watched.acknowledge()
    watched.watch = ProbeWatch(watched.alarms, watched.sources.gone)
    watched.pass_(5 * MINUTE, *PROBES[3:])
    assert len(watched.told()) == 2, "told once, also after a restart"


def test_probe_that_joins_a_group_nobody_has_seen_is_named_when_it_is_told_again(watched: Watched) -> None:
    """One cause, one message: it does not ring for itself, and the next telling says how many they are."""
    watched.replan(_SLOWER)
    watched.read(*PROBES)
    watched.pass_(12 * MINUTE, *PROBES[3:])
    assert len(watched.told()) == 1
    with watched.store.write() as conn:
        watched.alarms.due(conn, watched.now + HOUR)
    assert "3 probes are silent" in watched.told()[-1]


def test_probe_placed_after_its_dead_source_was_acknowledged_rings(watched: Watched) -> None:
    """Whoever has seen that the line is gone did not know of this lot; what only falls silent later is the trouble that was seen."""
    watched.replan(PLAN.replace('id = "air-1b"\n', 'id = "air-1b"\nsilent_after = "20 min"\n') + GRIND)
    watched.sources.through("bus", Nothing()).readings([Reading(p, watched.now, 2.0) for p in ("air-1a", "air-1b", "core-1")])
    watched.read(*PROBES, "core-1")
    watched.sources.connected["bus"] = False
    watched.pass_(10 * MINUTE, *PROBES[2:])
    (key,) = watched.standing()
    watched.acknowledge()
    watched.pass_(15 * MINUTE, *PROBES[2:])
    assert watched.standing() == {key: ["air-1a", "air-1b"]}
    assert len(watched.told()) == 1
    watched.now += SECOND
    watched.engine.feed(LotEvent(watched.now, "start", "J-1", "juniper-links"))
    watched.engine.feed(LotEvent(watched.now, "place", "J-1", "core-1"))
    watched.pass_(MINUTE, *PROBES[2:])
    assert watched.standing() == {key: ["air-1a", "air-1b", "core-1"]}
    _, second = watched.told()
    assert "ALSO" in second
    assert "source bus is gone, lot J-1" in second
