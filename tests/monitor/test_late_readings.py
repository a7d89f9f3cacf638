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
from monitor import ledger
from monitor.alarms.listing import open_alarms
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.desk import Hand
from monitor.errors import RefusedError
from monitor.replay import Replay
from monitor.service import Service
from monitor.store import events, readings
from rules.engine import Engine
from rules.history import arrange
from rules.plan import Plan
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, LotEvent, Reading, Tick

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
ODILE = Hand("Odile Marsh", "operator")


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
    rows = cook(seed, 2 * MINUTE)
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
    before, slice_ = judging_module.AT_ONCE, Replay.step.__defaults__
    Replay.step.__defaults__ = (40,)  # slices so small that much comes between them
    try:
        deliver(rig, seed, at_once, share, most_late)
        rig.catch_up()
        rig.agrees()
        assert rig.service.pipeline.report()["lots"][0]["verdict"] != "open"
        rig.restart()
        rig.agrees()
    finally:
        judging_module.AT_ONCE, Replay.step.__defaults__ = before, slice_
        rig.service.close()


DRAWN = {
    "seed": st.integers(0, 10_000),
    "at_once": st.sampled_from((-1, 60, 500, 20_000)),
    "share": st.sampled_from((0.0, 0.01, 0.3)),
    "most_late": st.sampled_from((5 * SECOND, 10 * MINUTE, 10 * HOUR)),
}
QUIET = {"deadline": None, "suppress_health_check": list(HealthCheck)}


@settings(max_examples=5, **QUIET)  # type: ignore[arg-type]  # a mapping of settings
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


@pytest.fixture
def away(rig: Rig, never_at_once: None) -> tuple[Rig, list[Reading | Fault]]:
    """A lot cooked and cooled while the gateway of core-1 was away for four hours; and what that gateway kept."""
    for event in ENTRIES[:3]:
        rig.enter(event)
    cold = [r._replace(celsius=min(r.celsius, 3.5)) if isinstance(r, Reading) and r.probe == "cooler-air" else r for r in cook(1)]
    live, kept = split(cold, "core-1", 170, 410)
    send_all(rig, [r for r in live if START < r.at < ENTRIES[3].at])
    rig.enter(ENTRIES[3])
    send_all(rig, [r for r in live if ENTRIES[3].at <= r.at < START + 450 * MINUTE])
    rig.tick()
    return rig, kept


def test_live_judging_goes_on_while_a_backlog_is_judged(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """A breach in the cooler is told between two slices, before the re-judgement is through, and stays told once."""
    rig, kept = away
    assert set(rig.send(kept)) == {"late"}
    assert rig.service.judging.late is not None
    told = len(rig.records("finding"))
    Replay.step.__defaults__ = (20,)
    try:
        slices = 0
        while rig.slice():
            slices += 1
            rig.now += SECOND
            rig.send([Reading("cooler-air", rig.now, fahrenheit(50.0 if slices == 3 else 38.0))])
            if slices == 3:
                new = rig.records("finding")[told:]
                assert [one["what"] for one in new] == ["deviated"]
                assert new[0]["step"] == "cooler-1"
                assert rig.service.judging.late is not None, "the backlog is still being judged"
        assert slices > 10
    finally:
        Replay.step.__defaults__ = (500,)
    rig.agrees()
    assert [one["step"] for one in rig.records("finding") if one["what"] == "deviated"].count("cooler-1") == 1


def test_correction_names_the_late_readings_and_both_verdicts(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """Which probe, from when to when, received when; the verdict before and after; and one record of the whole re-judgement."""
    rig, kept = away
    before = rig.records("finding")
    rig.send(kept)
    assert rig.records("correction") == [], "nothing is corrected before all of it is judged"
    rig.catch_up()
    assert rig.records("finding")[: len(before)] == before, "what was found stays as it was written"
    corrections = rig.records("correction")
    assert {(one["was"], one["probe"]) for one in corrections} == {("unproven", "core-1")}
    assert all(one["now"] != "unproven" for one in corrections)
    assert "late readings of core-1 from 2026-03-02T16:50:00Z to 2026-03-02T20:49:00Z, received 2026-03-02T" in corrections[0]["why"]
    (done,) = rig.records("rejudged")
    assert done["why"] == corrections[0]["why"]
    assert [(c["was"], c["now"]) for c in done["changed"]] == [(c["was"], c["now"]) for c in corrections]
    rig.agrees()


def test_backlog_in_many_batches_is_judged_once(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """Batches that come before the second engine has passed their instant join it; one record, not one a batch."""
    rig, kept = away
    for n in range(0, len(kept), 10):
        rig.send(kept[n : n + 10])
    rig.catch_up()
    assert len(rig.records("rejudged")) == 1
    rig.agrees()


def test_late_readings_behind_the_second_engine_set_it_back(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """Oldest last: what it has passed already is judged all the same, and nothing is told twice."""
    rig, kept = away
    Replay.step.__defaults__ = (20,)
    try:
        for part in (kept[160:], kept[80:160], kept[:80]):
            rig.send(part)
            for _ in range(9):
                rig.slice()
    finally:
        Replay.step.__defaults__ = (500,)
    rig.catch_up()
    rig.agrees()
    found = [(f["at"], f["what"], f["limit"], f["probe"]) for f in rig.records("finding")]
    assert len(found) == len(set(found))


def test_rejudgement_that_a_restart_cuts_off_is_done_after_it(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """It is owed still, live judging goes on at once, and the reason is not lost."""
    rig, kept = away
    rig.send(kept)
    Replay.step.__defaults__ = (20,)
    for _ in range(5):
        rig.slice()
    Replay.step.__defaults__ = (500,)
    rig.restart()
    owed = rig.service.judging.late
    assert owed is not None
    assert "late readings of core-1" in owed.why()
    rig.now += MINUTE
    rig.send([Reading("cooler-air", rig.now, fahrenheit(55.0))])
    assert rig.records("finding")[-1]["step"] == "cooler-1"
    rig.catch_up()
    rig.agrees()


def test_entry_made_while_a_backlog_is_judged_is_in_it(away: tuple[Rig, list[Reading | Fault]]) -> None:
    """A check written for a time that the second engine has passed, and the lot's end: both count once it has taken over."""
    rig, kept = away
    rig.send(kept)
    Replay.step.__defaults__ = (20,)
    try:
        for _ in range(20):
            rig.slice()
        rig.enter(LotEvent(START + 200 * MINUTE, "remove", "J-0412", "core-2", "moved", rig.now))
        rig.enter(LotEvent(START + 210 * MINUTE, "place", "J-0412", "core-2", "", rig.now))
        rig.enter(LotEvent(rig.now, "end", "J-0412"))
        rig.catch_up()
    finally:
        Replay.step.__defaults__ = (500,)
    rig.agrees()
    assert rig.service.pipeline.report()["lots"][0]["ended"]


def test_small_lateness_is_judged_at_once(rig: Rig) -> None:
    """A few rows to replay are replayed in the transaction that stores what is late."""
    send_all(rig, [r for r in cook(1) if r.at < START + HOUR])
    rig.send([Reading("cooler-air", START + 30 * MINUTE + 1, fahrenheit(50.0))])
    assert rig.service.judging.late is None
    assert [one["what"] for one in rig.records("finding")] == ["deviated"]
    rig.agrees()


def test_stamp_ahead_of_the_clock_is_not_judged_when_its_time_comes(rig: Rig) -> None:
    """Stored, never judged, also after its time and after a restart; the same sent in good time is another reading, and counts."""
    wrong = Reading("cooler-air", START + HOUR, fahrenheit(60.0))
    assert rig.send([wrong]) == ["future"]
    rig.tick()
    assert rig.service.judging.engine.now < START + HOUR, "it moves no time on"
    rig.now = START + 2 * HOUR
    rig.send([Reading("cooler-air", rig.now, fahrenheit(38.0))])
    rig.tick()
    assert rig.records("finding") == []
    rig.restart()
    rig.agrees()
    assert rig.records("finding") == []
    assert rig.send([wrong]) == ["late"]
    assert [one["what"] for one in rig.records("finding")] == ["deviated"]
    rig.agrees()


def test_readings_more_than_48_h_late_wait_for_a_person(rig: Rig) -> None:
    """Stored, listed, judged by nobody, neither live nor after a restart nor in a recomputation, until somebody asks."""
    rows = cook(1)
    live, kept = split(rows, "cooler-air", 100, 200)
    kept = [Reading("cooler-air", r.at, fahrenheit(55.0)) for r in kept]
    send_all(rig, live)
    rig.now = START + 60 * HOUR
    rig.send([Reading("cooler-air", rig.now, fahrenheit(38.0))])
    assert set(rig.send(kept)) == {"late"}
    assert "too-late" in rig.standing()
    before = rig.service.pipeline.report()["standing"]
    rig.restart()
    rig.agrees()
    assert rig.service.pipeline.report()["standing"][: len(before)] == before
    desk = rig.service.desk
    (listed,) = desk.late()["unjudged"]
    assert (listed["probe"], listed["count"]) == ("cooler-air", len(kept))
    with pytest.raises(RefusedError, match="waits to be judged"):
        desk.rejudge(ODILE, START + 210 * MINUTE, "found in a drawer")
    asked = desk.rejudge(ODILE, START + 150 * MINUTE, "the gateway was found unplugged")
    assert asked["readings"] == 50
    rig.catch_up()
    rig.agrees()
    assert any(one["step"] == "cooler-1" and one["what"] == "deviated" for one in rig.records("finding"))
    assert desk.late()["unjudged"][0]["count"] == 50, "those before the time named still wait"
    (record,) = rig.records("rejudge-asked")
    wanted = {"since": "2026-03-02T16:30:00Z", "reason": "the gateway was found unplugged", "readings": 50}
    assert wanted.items() <= record.items()
    desk.rejudge(ODILE, START, "and the rest")
    rig.catch_up()
    rig.restart()
    rig.agrees()
    assert desk.late()["unjudged"] == []
    assert "too-late" not in rig.standing()
