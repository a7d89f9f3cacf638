"""The pipeline when the program is wrong, and when probes give nothing: no reading is lost, and it rings."""

import json
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Connection

from monitor import ledger
from monitor.alarms.listing import open_alarms
from monitor.alarms.tables import alarm
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.errors import RefusedError
from monitor.service import Service
from monitor.store import readings
from monitor.store.readings import Arrival
from monitor.store.schema import plan_version
from rules.engine import Engine
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Fault, Reading
from tests.ferncliff import COOLER, GRIND, ODILE, SITE, START

PLAN = SITE + COOLER + GRIND


class Plant:
    """The whole service over real SQLite, without its page; the test moves the clock and the ticks."""

    def __init__(self, folder: Path) -> None:
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder, Server(port=0),
            persons=(Person("Odile Marsh", "operator"),), alarms=AlarmsConfig(all_well=None),
        )  # fmt: skip
        self.now = START
        self.start()

    def start(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            self.service = Service(self.config, clock=lambda: self.now, drivers=(), tick_s=3600.0, exports=False)
        self.service.start()

    def restart(self) -> None:
        self.service.close()
        self.start()

    def send(self, *items: Reading | Fault) -> list[str]:
        return [outcome.what for outcome in self.service.intake.readings(items).result(10)]

    def core(self, fahrenheits: float, minutes: float = 0.0) -> list[str]:
        """One reading of the core so many minutes from now, at which time it then is."""
        self.now += round(minutes * MINUTE)
        return self.send(Reading("core-1", self.now, fahrenheit(fahrenheits)))

    def tick(self, minutes: float = 0.0) -> None:
        self.now += round(minutes * MINUTE)
        self.service.writer.submit(lambda conn: self.service.pipeline.tick(conn, self.now)).result(10)

    def lot(self) -> None:
        self.service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
        self.service.desk.place(ODILE, "J-1", "core-1")
        self.now += SECOND

    def stored(self) -> list[float]:
        with self.service.store.read() as conn:
            found = [one.item for one in readings.between(conn, 0, 1 << 60, unjudged=True)]
        return [round(item.celsius * 9 / 5 + 32, 3) for item in found if isinstance(item, Reading)]

    def silent(self) -> set[str]:
        """The probes for which an alarm of silence stands."""
        with self.service.store.read() as conn:
            return {m for a in open_alarms(conn, self.now) if a["key"].startswith("probe/") and a["active"] for m in a["members"]}

    def standing(self) -> dict[str, str]:
        """What stands as an alarm: key and state's letter."""
        with self.service.store.read() as conn:
            return {row["key"]: row["letter"] for row in open_alarms(conn, self.now) if row["active"]}

    def findings(self) -> list[str]:
        with self.service.store.read() as conn:
            return [entry.body["what"] for entry in ledger.entries(conn, kind="finding")]

    def verdict(self) -> str:
        return str(self.service.pipeline.report()["lots"][0]["limits"][0]["verdict"])


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    plant = Plant(tmp_path)
    yield plant
    plant.service.close()


@pytest.fixture
def wrong(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """A mistake in the program: judging a reading of 33 °F fails for as long as this is set."""
    broken, feed = threading.Event(), Engine.feed
    broken.set()

    def faulty(self: Engine, event: object) -> object:
        if broken.is_set() and isinstance(event, Reading) and round(event.celsius, 6) == round(fahrenheit(33.0), 6):
            raise ZeroDivisionError("a mistake that nobody has thought of")
        return feed(self, event)  # type: ignore[arg-type]

    monkeypatch.setattr(Engine, "feed", faulty)
    return broken


def test_mistake_while_judging_loses_no_reading_and_rings(plant: Plant, wrong: threading.Event) -> None:
    """The reading that cannot be judged is stored and acknowledged, and so are those after it; a critical alarm stands."""
    plant.lot()
    assert plant.core(32.0) == ["stored"]
    assert plant.core(33.0, 0.5) == ["stored"]
    assert plant.core(34.0, 0.5) == ["stored"]
    assert plant.stored() == [32.0, 33.0, 34.0]
    assert plant.standing() == {"judging": "B"}
    with plant.service.store.read() as conn:
        body = next(entry.body for entry in ledger.entries(conn, kind="judging"))
        cause = json.loads(conn.execute(alarm.select()).mappings().one()["cause"])
    assert body == {"going": False, "why": "ZeroDivisionError: a mistake that nobody has thought of"}
    assert cause["priority"] == "critical"
    assert "nobody has thought of" in cause["text"]


def test_judging_goes_on_by_itself_and_finds_what_it_missed(plant: Plant, wrong: threading.Event) -> None:
    """Once the mistake is out of the way, everything stored meanwhile is judged, as an uninterrupted judge would have."""
    plant.lot()
    plant.core(32.0)
    plant.core(33.0, 0.5)
    plant.core(41.0, 0.5)
    assert "deviated" not in plant.findings()
    wrong.clear()
    plant.tick(0.2)
    assert "deviated" not in plant.findings(), "it is tried again after a minute, not at every tick"
    plant.tick(1.0)
    assert plant.findings().count("deviated") == 1
    assert plant.verdict() == "deviated"
    assert "judging" not in plant.standing()
    assert plant.standing() == {"verdict/J-1/grind/grind cold": "B"}
    assert plant.core(41.0, 1.0) == ["stored"]
    assert plant.findings().count("deviated") == 1


def test_judging_that_has_stopped_survives_a_restart(plant: Plant, wrong: threading.Event) -> None:
    """A service that meets the mistake while it starts still takes readings in, and its alarm ladder still climbs."""
    plant.lot()
    plant.core(33.0)
    plant.now += MINUTE
    plant.restart()
    assert plant.core(34.0, 0.5) == ["stored"]
    assert plant.stored() == [33.0, 34.0]
    assert plant.standing()["judging"] == "B"
    plant.tick(20.0)
    assert plant.standing()["judging"] == "B"


def test_entry_is_refused_while_judging_has_stopped(plant: Plant, wrong: threading.Event) -> None:
    """What cannot be checked is not made, and the sentence says what to do instead."""
    plant.lot()
    plant.core(33.0)
    with pytest.raises(RefusedError, match="write it down on paper"):
        plant.service.desk.end(ODILE, "J-1")
    plant.now += 2 * MINUTE
    with pytest.raises(RefusedError, match="write it down on paper"):
        plant.service.desk.end(ODILE, "J-1")
    wrong.clear()
    plant.service.desk.end(ODILE, "J-1")
    plant.tick(1.0)
    assert plant.verdict() == "met"
    assert plant.standing() == {}


def test_ticker_survives_a_mistake_and_does_not_feed_the_watchdog(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pass that fails is no sign of life; the next one that works is."""
    told: list[str] = []
    passes = threading.Semaphore(0)
    fails = [True]

    def due(conn: object, now: object) -> None:
        passes.release()
        if fails[0]:
            raise ZeroDivisionError("a mistake that nobody has thought of")

    monkeypatch.setattr(plant.service.alarms, "due", due)
    plant.service._notify = told.append  # type: ignore[assignment]
    plant.service.tick_s = 0.001
    ticker = threading.Thread(target=plant.service._tick, daemon=True)
    ticker.start()
    for _ in range(3):
        assert passes.acquire(timeout=20)
    assert told == []
    fails[0] = False
    for _ in range(3):
        assert passes.acquire(timeout=20)
    assert "WATCHDOG=1" in told
    plant.service._stop.set()
    ticker.join(20)
    assert not ticker.is_alive()


def test_silent_probe_rings_once_and_clears_when_it_reads_again(plant: Plant) -> None:
    """A room's probe that says nothing for longer than its `silent_after`."""
    plant.send(Reading("cooler-air", plant.now, 2.0))
    plant.tick(1.0)
    assert plant.standing() == {}
    plant.tick(2.0)
    plant.tick(2.0)
    assert plant.standing() == {"probe/cooler-air/silent": "B"}
    plant.send(Reading("cooler-air", plant.now, 2.0))
    assert plant.standing() == {}


def test_placed_probe_that_never_said_a_word_rings_too(plant: Plant) -> None:
    """It is counted from when a lot first depended on it; its first word ends the alarm."""
    plant.lot()
    plant.tick(1.0)
    plant.tick(2.0)
    plant.tick(2.0)
    assert plant.silent() == {"core-1", "cooler-air"}
    plant.core(40.0)
    assert plant.silent() == {"cooler-air"}


def test_readings_dated_days_back_are_kept_and_ring(plant: Plant) -> None:
    """After a clock that had jumped ahead nothing would be judged: that must not pass in silence."""
    plant.send(Reading("cooler-air", plant.now, 2.0))
    plant.send(Reading("cooler-air", plant.now - 72 * HOUR, fahrenheit(54.0)))
    assert plant.standing().get("too-late") == "B"
    assert 54.0 in [round(f, 6) for f in plant.stored()]


def test_probe_that_returns_after_a_restart_clears_its_alarm(plant: Plant) -> None:
    """What stood before the restart is remembered by the store, not by the program."""
    plant.send(Reading("cooler-air", plant.now, 2.0))
    plant.tick(5.0)
    assert "probe/cooler-air/silent" in plant.standing()
    plant.restart()
    plant.send(Reading("cooler-air", plant.now, 2.0))
    assert "probe/cooler-air/silent" not in plant.standing()


def test_probe_that_gives_only_faults_rings_with_what_it_gives(plant: Plant) -> None:
    """A fault is evidence of nothing: `judging.md` section 1 counts the probe as silent."""
    plant.send(Reading("cooler-air", plant.now, 2.0))
    for _ in range(4):
        plant.now += MINUTE
        plant.send(Fault("cooler-air", plant.now, "open circuit", "---"))
        plant.tick()
    assert plant.standing() == {"probe/cooler-air/fault": "B"}
    with plant.service.store.read() as conn:
        assert "open circuit" in open_alarms(conn, plant.now)[0]["what"]
    plant.send(Reading("cooler-air", plant.now + SECOND, 2.0))
    assert plant.standing() == {}


def test_single_fault_does_not_ring(plant: Plant) -> None:
    """A fault between readings is recorded, and nobody is called."""
    for n in range(6):
        plant.now += MINUTE
        item = Fault("cooler-air", plant.now, "checksum", "") if n == 2 else Reading("cooler-air", plant.now, 2.0)
        plant.send(item)
        plant.tick()
    assert plant.standing() == {}


def test_silent_probe_that_nobody_depends_on_any_more_clears(plant: Plant) -> None:
    """A core probe taken out of its lot may lie in a drawer."""
    plant.lot()
    plant.core(32.0)
    plant.tick(5.0)
    assert "probe/core-1/silent" in plant.standing()
    plant.service.desk.remove(ODILE, "J-1", "core-1", "failed")
    plant.tick(1.0)
    assert "probe/core-1/silent" not in plant.standing()


@pytest.mark.parametrize("how", ["silent", "fault"])
def test_dead_probe_rings_again_for_the_next_lot_that_gets_it(plant: Plant, how: str) -> None:
    """It was told for the lot before, and has given nothing since: the next lot is watched by it no more than that one was."""

    def pass_five_minutes() -> None:
        for _ in range(5):
            if how == "fault":
                plant.send(Fault("core-1", plant.now, "open circuit", "---"))
            plant.send(Reading("cooler-air", plant.now, 2.0))
            plant.tick(1.0)

    plant.lot()
    plant.core(32.0)
    pass_five_minutes()
    assert plant.standing() == {f"probe/core-1/{how}": "B"}
    plant.service.desk.end(ODILE, "J-1")
    plant.tick(1.0)
    assert plant.standing() == {}
    plant.service.desk.start_lot(ODILE, "juniper-links", lot="J-2")
    plant.service.desk.place(ODILE, "J-2", "core-1")
    plant.now += SECOND
    pass_five_minutes()
    assert plant.standing() == {f"probe/core-1/{how}": "B"}


def test_readings_that_came_while_nobody_judged_correct_what_was_told(plant: Plant) -> None:
    """A logger's file put into the store while the service is down: the verdict it changes is recorded as a correction."""
    plant.lot()
    plant.core(35.0)
    plant.core(35.0, 40.0)  # more than the 15 min that a core ceiling may go unwatched
    plant.service.desk.end(ODILE, "J-1")
    plant.tick(0.5)
    assert plant.verdict() == "unproven"
    gap = [Reading("core-1", START + SECOND + n * MINUTE, fahrenheit(35.0)) for n in range(1, 40)]

    def arrive(conn: Connection) -> None:
        readings.store(conn, [Arrival(item, plant.now, "late") for item in gap])

    plant.service.writer.submit(arrive).result(10)
    plant.restart()
    assert plant.verdict() == "met"

    def corrections() -> list[tuple[str, str]]:
        with plant.service.store.read() as conn:
            return [(e.body["was"], e.body["now"]) for e in ledger.entries(conn, kind="correction")]

    assert corrections() == [("unproven", "met")]
    plant.restart()
    assert corrections() == [("unproven", "met")], "told once"


def test_restart_corrects_nothing_where_nothing_came(plant: Plant) -> None:
    """Verdicts that went on by themselves, before and after a restart, are no corrections."""
    plant.lot()
    for minutes in (0.0, 5.0, 40.0):
        plant.core(35.0, minutes)
    plant.core(41.0, 1.0)
    plant.restart()
    plant.service.desk.end(ODILE, "J-1")
    plant.tick(0.5)
    plant.restart()
    assert plant.verdict() == "deviated"
    with plant.service.store.read() as conn:
        assert list(ledger.entries(conn, kind="correction")) == []


@pytest.mark.parametrize("hours_back", [-1, 0, 1, 48])
def test_changed_plan_is_in_force_also_where_the_clock_was_set_back(plant: Plant, hours_back: int) -> None:
    """A board that starts with an old time still judges new lots by the plan it was given, and goes on doing so."""
    plant.lot()
    for _ in range(4):
        plant.core(35.0, 6.0)  # a snapshot of the engine's state is kept
    plant.service.desk.end(ODILE, "J-1")
    path = plant.config.plan
    path.write_text(PLAN.replace('code = "juniper-links"', 'code = "sage-links"'), encoding="utf-8")
    plant.now -= hours_back * HOUR
    for _ in range(2):
        plant.restart()
        assert [p.code for p in plant.service.judging.engine.plan.products] == ["sage-links"]
    with plant.service.store.read() as conn:
        assert conn.execute(plan_version.select()).fetchall()[-1].sha256 == plant.service.plan.sha256
        assert len(conn.execute(plan_version.select()).fetchall()) == 2, "noted once"
