"""A probe found beyond its tolerance: what it measured is judged again, told, exported, and nothing is altered."""

import asyncio
import json
import random
import shutil
import subprocess
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete, text, update

from monitor import calibrations, ledger, people, recall_effect, recalls
from monitor.alarms.listing import open_alarms
from monitor.check_desk import ProbeCheck
from monitor.cli import main
from monitor.clock import SystemClock
from monitor.config import AlarmsConfig, Config, Person, Server
from monitor.desk import Hand
from monitor.errors import InputError, RefusedError
from monitor.export.day import Exported, export_day
from monitor.export.verify import check_folder
from monitor.judge import canonical, judge_files
from monitor.once import Key
from monitor.service import Service
from monitor.store import readings
from monitor.store.schema import snapshot
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Fault, Reading
from rules.science.errors import ScienceError

START = parse_instant("2026-03-02T08:00:00-06:00")
DAY, NEXT_DAY = "2026-03-02", "2026-03-03"
ODILE, TAM = Hand("Odile Marsh", "operator"), Hand("Tam Okafor", "reviewer")
#: Raw 34 °F in melting ice: 2 °F too high, which is more than the 1 °C that is allowed.
TWO_HIGH = ProbeCheck("core-1", "ice-point", fahrenheit(34.0))
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


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    made = Plant(tmp_path)
    yield made
    made.service.close()


def judged_again(folder: Path) -> dict[str, Any]:
    return judge_files(folder / "plan.toml", folder / "readings.csv", folder / "events.csv")


def pdf_text(path: Path) -> str:
    """The words of a PDF, line breaks of its cells taken out."""
    tool = shutil.which("pdftotext")
    assert tool is not None, "pdftotext of poppler-utils is needed to read PDFs back"
    done = subprocess.run([tool, str(path), "-"], capture_output=True, text=True, check=True, timeout=60)
    return " ".join(done.stdout.split())


def lots_of(report: dict[str, Any]) -> dict[str, str]:
    return {one["lot"]: one["verdict"] for one in report["lots"]}


# --- offsets ---------------------------------------------------------------------------------------------------------


def test_offset_holds_from_the_check_on_and_late_readings_take_that_of_their_own_time(plant: Plant) -> None:
    """What was stored before keeps what it had; a late reading of before the check gets no offset, one of after it does."""
    plant.read("core-1", 50.0)
    before = plant.now
    plant.now += HOUR
    made = plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.5, correct=True))
    assert (made["within"], made["good"], made["offset_c"]) == (True, True, -0.5)
    plant.read("core-1", 50.0)
    assert plant.send(Reading("core-1", before + MINUTE, 10.0), Reading("core-1", plant.now - SECOND, 10.0)) == ["late", "late"]
    assert [offset for _, _, offset in plant.stored()] == [0.0, 0.0, -0.5, -0.5]


def test_second_correction_counts_from_what_the_probe_then_shows(plant: Plant) -> None:
    """A check reads what the page shows, correction included, so a further error is added to the offset in force."""
    plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.5, correct=True))
    plant.now += HOUR
    made = plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.2, correct=True))
    assert (made["offset_was_c"], made["offset_c"], made["good"]) == (-0.5, -0.7, True)


def test_boiling_point_is_worked_out_from_pressure_or_altitude(plant: Plant) -> None:
    """The site's altitude gives the boiling point where nothing is entered; an entered station pressure goes before it."""
    by_site = plant.desk.calibrate(ODILE, ProbeCheck("core-1", "boiling-point", 99.5))
    assert by_site["reference_c"] == pytest.approx(99.376, abs=0.005)
    by_pressure = plant.desk.calibrate(ODILE, ProbeCheck("core-1", "boiling-point", 99.5, pressure_kpa=98.0))
    assert by_pressure["reference_c"] == pytest.approx(99.042, abs=0.001)  # check_water_boiling, IF97 at 98 kPa
    assert by_pressure["reference"] == "water boiling at 98 kPa"


@pytest.mark.parametrize(
    ("check", "words"),
    [
        (ProbeCheck("core-1", "boiling-point", 99.5, pressure_kpa=101.325, altitude_m=1500.0), "not the one reduced to sea level"),
        (ProbeCheck("core-1", "boiling-point", 99.5, pressure_kpa=1013.0), "write the station pressure in kPa"),
        (ProbeCheck("core-1", "comparison", 60.0), "what the reference thermometer read"),
        (ProbeCheck("core-1", "ice-point", 0.1, reference_c=5.0), "melting ice is 0.00 °C"),
        (ProbeCheck("core-1", "ice-point", 12.0, correct=True), "a probe that far off is broken"),
        (ProbeCheck("core-1", "ice-point", 0.1, since=START), "write the offset too"),
        (ProbeCheck("core-1", "ice-point", 0.1, offset_c=0.1, since=START - HOUR), "corrected by a recall"),
        (ProbeCheck("core-9", "ice-point", 0.1), "this plan has core-1"),
    ],
)
def test_check_that_cannot_be_gets_one_sentence(plant: Plant, check: ProbeCheck, words: str) -> None:
    """A wrong unit, a sea-level pressure, a broken probe: one sentence, and nothing is recorded."""
    with pytest.raises((InputError, ScienceError)) as caught:
        plant.desk.calibrate(ODILE, check)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert plant.entries("calibration") == []


def test_checks_and_recalls_are_never_changed(plant: Plant) -> None:
    """The database itself refuses to alter or delete a check."""
    plant.desk.calibrate(ODILE, TWO_HIGH)
    for sql in ("UPDATE calibration SET indicated_c = 0", "DELETE FROM calibration"):
        with pytest.raises(Exception, match="append-only"):
            plant.service.writer.submit(lambda conn, sql=sql: conn.execute(text(sql))).result(10)


# --- recall ----------------------------------------------------------------------------------------------------------


def test_recall_turns_a_met_lot_and_the_new_revision_of_its_day_repeats_it(plant: Plant) -> None:
    """Met as read, deviated with the error taken off; corrected, deviated and rung, and `larderer judge` on the export agrees."""
    plant.cook("J-1")
    plant.tick(24 * 60)
    first = plant.export()
    raw = plant.stored()
    assert plant.verdict("J-1") == "met"
    check = plant.desk.calibrate(ODILE, TWO_HIGH)
    assert {"calibration/core-1/off", "calibration/core-1/recall"} <= plant.rung()

    preview = plant.desk.recall_preview("core-1")
    assert [(c["lot"], c["limit"], c["was"], c["now"]) for c in preview["changes"]] == [("J-1", "lethality", "met", "deviated")]
    assert (preview["after"], preview["lots"], preview["days"]) == (None, ["J-1"], [DAY])
    assert plant.verdict("J-1") == "met", "a preview changes nothing"
    assert plant.entries("recall") == []

    done = plant.desk.recall(ODILE, "core-1", check["id"])
    plant.caught_up()
    assert done["changes"] == preview["changes"]
    assert plant.verdict("J-1") == "deviated"
    (told,) = plant.entries("correction")
    assert (told["lot"], told["was"], told["now"]) == ("J-1", "met", "deviated")
    assert "recall 1 of core-1" in told["why"]
    (record,) = plant.desk.deviations()
    assert (record["lot"], record["verdict"], record["closed"]) == ("J-1", "deviated", None)
    assert "verdict/J-1/cook/lethality" in plant.rung()
    assert "calibration/core-1/recall" not in plant.rung()
    assert plant.stored() == raw, "raw readings stay as they were"

    second = plant.export()
    assert (second.revision, second.new) == (2, True)
    assert lots_of(judged_again(second.path)) == {"J-1": "deviated"}
    assert canonical(judged_again(second.path)) == (second.path / "lots.json").read_text(encoding="utf-8")
    assert lots_of(judged_again(first.path)) == {"J-1": "met"}, "the old revision stays"
    assert check_folder(second.path).wrong == []
    assert json.loads((second.path / "manifest.json").read_text(encoding="utf-8"))["problems"] == []


def test_offset_that_no_recall_explains_is_found_by_the_checker(plant: Plant) -> None:
    """A row whose offset differs from what was sealed must be that of a recall in the ledger."""
    plant.cook("J-1")
    plant.tick(24 * 60)
    plant.desk.calibrate(ODILE, TWO_HIGH)
    plant.desk.recall(ODILE, "core-1")
    folder = plant.export().path
    rows = (folder / "readings.csv").read_text(encoding="utf-8")
    assert "-1.111111,2026" in rows
    (folder / "readings.csv").write_text(rows.replace("-1.111111,2026", "-0.5,2026", 1), encoding="utf-8")
    assert any("no recall on record" in one for one in check_folder(folder).wrong)


def test_recall_of_a_lot_that_ended_long_ago_is_judged_from_the_store(plant: Plant) -> None:
    """Three weeks on, the engine has let go of the lot: it is listed, corrected, and its deviation opened all the same."""
    plant.cook("J-1")
    for _ in range(22):
        plant.read("cooler-air", 36.0, 24 * 60)
    assert "J-1" not in {one["lot"] for one in plant.service.pipeline.report()["lots"]}
    plant.desk.calibrate(ODILE, TWO_HIGH)
    assert [(c["lot"], c["now"]) for c in plant.desk.recall_preview("core-1")["changes"]] == [("J-1", "deviated")]
    plant.desk.recall(TAM, "core-1")
    assert [one["lot"] for one in plant.desk.deviations() if one["lot"]] == ["J-1"]
    assert [(c["lot"], c["was"], c["now"]) for c in plant.entries("correction")] == [("J-1", "met", "deviated")]
    assert plant.desk.lot("J-1")["verdict"] == "deviated"
    assert "left-short/J-1/cook/lethality" not in plant.rung(), "nobody can put an old lot back to heat"
    found = len(plant.entries("finding"))
    plant.service.writer.submit(lambda conn: conn.execute(delete(snapshot))).result(10)
    plant.restart()
    assert len(plant.entries("correction")) == 1, "a restart that judges everything anew tells nothing twice"
    assert len(plant.entries("finding")) == found
    folder = plant.export().path
    assert lots_of(judged_again(folder)) == {"J-1": "deviated"}
    assert check_folder(folder).wrong == []


def test_better_verdict_leaves_the_deviation_open(plant: Plant) -> None:
    """Taking the error off would have met the limit; the list says that nobody knows, and the record waits for a person."""
    plant.rest("S-1", 41.0)
    plant.tick(60)
    assert plant.verdict("S-1") == "deviated"
    plant.desk.calibrate(ODILE, TWO_HIGH)
    (change,) = plant.desk.recall_preview("core-1")["changes"]
    assert (change["was"], change["now"], change["better"]) == ("deviated", "met", True)
    assert "Nobody knows since when" in change["note"]
    plant.desk.recall(ODILE, "core-1")
    plant.caught_up()
    (record,) = plant.desk.deviations()
    assert record["closed"] is None
    assert "Nobody knows since when" in record["actions"][-1]["text"]
    assert "verdict/S-1/rest/rest cold" in plant.rung()


def test_recall_begins_at_the_last_good_check(plant: Plant) -> None:
    """Lots before it are not in doubt."""
    plant.cook("J-1")
    plant.now += HOUR
    good = plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.3))
    plant.now += HOUR
    plant.cook("J-2")
    plant.desk.calibrate(ODILE, TWO_HIGH)
    preview = plant.desk.recall_preview("core-1")
    assert (preview["after"], preview["lots"]) == (good["at"], ["J-2"])
    plant.desk.recall(ODILE, "core-1")
    plant.caught_up()
    plant.tick(1)
    assert (plant.verdict("J-1"), plant.verdict("J-2")) == ("met", "deviated")


def test_lot_whose_probe_was_replaced_is_judged_with_the_error_of_the_one_alone(plant: Plant) -> None:
    """The recalled probe came out before the hold; the other one's readings stay as they are."""
    plant.desk.start_lot(ODILE, "juniper-links", lot="J-1")
    plant.desk.place(ODILE, "J-1", "core-1")
    plant.read("core-1", 120.0)
    plant.now += SECOND
    plant.desk.remove(ODILE, "J-1", "core-1", "moved")
    plant.desk.place(ODILE, "J-1", "core-2")
    for value in (130.0, *[145.5] * 7, 130.0):
        plant.read("core-2", value)
    plant.now += SECOND
    plant.desk.end(ODILE, "J-1")
    plant.desk.calibrate(ODILE, TWO_HIGH)
    assert plant.desk.recall_preview("core-1")["lots"] == ["J-1"]
    assert plant.desk.recall_preview("core-1")["changes"] == []


def test_fixed_probe_is_recalled_with_the_days_of_its_room(plant: Plant) -> None:
    """A cooler's probe that read low has let warm days pass: the days are listed, and a deviation opens for each."""
    for _ in range(3):
        begun, plant.now = plant.now, plant.now + 24 * HOUR
        plant.send(*(Reading("cooler-air", begun + n * 20 * MINUTE, fahrenheit(38.5 + n % 2 / 2)) for n in range(1, 73)))
    check = plant.desk.calibrate(ODILE, ProbeCheck("cooler-air", "ice-point", fahrenheit(30.0)))
    assert check["tolerance_c"] == pytest.approx(1.5 * 5 / 9)
    preview = plant.desk.recall_preview("cooler-air")
    turned = {c["day"]: (c["step"], c["was"], c["now"]) for c in preview["changes"]}
    assert turned[NEXT_DAY] == ("cooler-1", "met", "deviated")
    assert len(turned) >= 3
    plant.desk.recall(ODILE, "cooler-air")
    plant.caught_up()
    assert {c["day"] for c in plant.entries("correction")} >= {DAY, NEXT_DAY}
    assert plant.desk.deviations(), "a critical limit of a room opens a record"
    folder = plant.export(NEXT_DAY).path
    days = {d["day"]: d["verdict"] for d in judged_again(folder)["standing"]}
    assert days[NEXT_DAY] == "deviated"
    assert check_folder(folder).wrong == []


def test_recall_is_carried_out_once(plant: Plant) -> None:
    """A second one of the same stretch is refused, and so is one after a check within tolerance."""
    plant.cook("J-1")
    with pytest.raises(RefusedError, match="record the check first"):
        plant.desk.recall_preview("core-1")
    good = plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.2))
    with pytest.raises(RefusedError, match="nothing is to be recalled"):
        plant.desk.recall(ODILE, "core-1", good["id"])
    plant.now += HOUR
    plant.desk.calibrate(ODILE, TWO_HIGH)
    plant.desk.recall(ODILE, "core-1")
    with pytest.raises(RefusedError, match="a recall is carried out once"):
        plant.desk.recall(ODILE, "core-1")


def test_late_readings_of_a_recalled_stretch_are_judged_with_its_error_off(plant: Plant) -> None:
    """What a gateway brings after the recall is stored raw and judged like its neighbours, in whatever order it comes."""
    plant.desk.start_lot(ODILE, "juniper-links", lot="J-1")
    plant.desk.place(ODILE, "J-1", "core-1")
    begun = plant.now
    plant.read("core-1", 120.0)
    plant.now += 30 * MINUTE
    plant.desk.calibrate(ODILE, TWO_HIGH)
    plant.desk.recall(ODILE, "core-1")
    plant.now += MINUTE
    plant.send(*(Reading("core-1", begun + (5 + n) * MINUTE, fahrenheit(145.5)) for n in range(8)))
    plant.caught_up()
    plant.now += HOUR
    plant.desk.end(ODILE, "J-1")
    plant.tick(1)
    assert plant.verdict("J-1") == "deviated"
    assert {offset for _, _, offset in plant.stored()} == {0.0}


# --- laws ------------------------------------------------------------------------------------------------------------


def test_recall_by_nothing_changes_nothing(plant: Plant) -> None:
    """Taking off an error of 0 gives every verdict, instant and reason as it was."""
    plant.cook("J-1")
    plant.rest("S-1", 41.0)
    with plant.service.store.read() as conn:
        effect = recall_effect.effect_of(conn, recalls.Stretch("core-1", None, plant.now, 0.0), plant.service.plan, plant.now)
    assert effect.served == ["J-1", "S-1"]
    assert (effect.changes, effect.reports, effect.days) == ([], {}, [])
    assert effect.findings == {"J-1": [], "S-1": []}


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32), hottest=st.sampled_from([144.0, 145.5, 147.5]))
def test_order_in_which_late_readings_follow_a_recall_does_not_matter(tmp_path_factory: Any, seed: int, hottest: float) -> None:
    """Recall, then the same late readings in another order and in other batches: the same report."""
    chance = random.Random(seed)
    reports = []
    for shuffled in (False, True):
        plant = Plant(tmp_path_factory.mktemp("plant"))
        try:
            plant.desk.start_lot(ODILE, "juniper-links", lot="J-1")
            plant.desk.place(ODILE, "J-1", "core-1")
            late = [Reading("core-1", plant.now + n * MINUTE, fahrenheit(hottest)) for n in range(2, 12)]
            plant.read("core-1", 120.0)
            plant.now += 30 * MINUTE
            plant.desk.calibrate(ODILE, TWO_HIGH)
            plant.desk.recall(ODILE, "core-1")
            if shuffled:
                chance.shuffle(late)
            size = chance.randint(1, 10) if shuffled else 10
            for place in range(0, len(late), size):
                plant.send(*late[place : place + size])
            plant.caught_up()
            plant.now = START + 2 * HOUR
            plant.desk.end(ODILE, "J-1")
            reports.append(canonical({"lots": plant.service.pipeline.report()["lots"]}))
        finally:
            plant.service.close()
    assert reports[0] == reports[1]
    assert ('"verdict": "met"' in reports[0]) == (hottest > 147.0)


# --- due -------------------------------------------------------------------------------------------------------------


def test_check_that_is_due_rings_until_a_good_one_is_on_record(plant: Plant) -> None:
    """The plan's interval counts from when the plan named the probe, then from its last good check."""
    plant.tick(6 * 24 * 60)
    assert "calibration/core-1/due" not in plant.rung()
    plant.tick(2 * 24 * 60)
    assert "calibration/core-1/due" in plant.rung()
    assert "calibration/core-2/due" not in plant.rung(), "it is checked every two weeks, since the plan says nothing"
    plant.desk.calibrate(ODILE, TWO_HIGH)
    plant.tick(11)
    assert "calibration/core-1/due" in plant.rung(), "a check that finds it wrong is no good one"
    plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", fahrenheit(34.0), correct=True))
    assert "calibration/core-1/off" not in plant.rung()
    plant.tick(11)
    assert "calibration/core-1/due" not in plant.rung()


def test_allowed_error_is_the_plans_within_the_food_code(plant: Plant) -> None:
    """Without a word 1 °C for a core probe and 1.5 °C for air; a site may ask for less."""
    allowed = {p.id: calibrations.allowed_c(p) for p in plant.service.plan.probes}
    assert allowed["core-1"] == 1.0
    assert allowed["cooler-air"] == pytest.approx(1.5 * 5 / 9)


# --- commands --------------------------------------------------------------------------------------------------------


def test_commands_check_and_recall_while_no_service_runs(
    plant: Plant, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Calibrate, look, recall; the service that starts afterwards stands by it and tells nothing twice."""

    def call(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["larderer", *words, "--config", str(plant.folder / "larderer.toml")])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        return int(ended.value.code or 0), told.out, told.err

    plant.cook("J-1")
    capsys.readouterr()
    code, out, err = call("recall", "core-1", "--by", "Odile Marsh")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "record the check first" in err
    code, out, err = call("calibrate", "cooler-air", "ice-point", "--reads", "34", "--by", "Odile Marsh")
    assert (code, err.count("\n")) == (2, 1)
    assert "write a number with its unit" in err
    assert "write one of" in call("calibrate", "core-1", "ice-point", "--reads", "34 F", "--by", "Somebody")[2]
    code, out, _ = call("calibrate", "core-1", "ice-point", "--reads", "34 F", "--by", "Odile Marsh")
    assert code == 1
    assert "That is 2 °F too high" in out
    assert call("calibrate", "core-1", "ice-point", "--reads", "32.4 F", "--by", "Odile Marsh")[0] == 0

    code, out, _ = call("recall", "core-1", "--dry-run")
    assert code == 1
    assert "J-1: cook, lethality, core-1: met -> deviated" in out
    assert out.endswith("Nothing was changed.\n")
    assert plant.entries("recall") == []
    code, _, err = call("recall", "core-1", "--by", "Odile Marsh")
    assert code == 2
    assert "the service is running" in err

    plant.service.close()
    code, out, _ = call("recall", "core-1", "--by", "Odile Marsh")
    assert code == 1, out
    assert "Recall 1 of core-1 is carried out. Export these days anew: 2026-03-02." in out
    plant.now = SystemClock()() + SECOND
    plant.start()
    plant.caught_up()
    assert [(c["lot"], c["was"], c["now"]) for c in plant.entries("correction")] == [("J-1", "met", "deviated")]
    assert [one["lot"] for one in plant.desk.deviations()] == ["J-1"]
    assert lots_of(judged_again(plant.export().path)) == {"J-1": "deviated"}


def test_pdf_tells_of_the_recall_and_of_how_the_probes_stand(plant: Plant) -> None:
    """The new revision names the recall on its first page, both verdicts beside the probes, and what was left of each check."""
    plant.cook("J-1")
    plant.tick(24 * 60)
    plant.desk.calibrate(ODILE, ProbeCheck("core-2", "ice-point", fahrenheit(32.4)))
    plant.desk.calibrate(ODILE, TWO_HIGH)
    plant.desk.recall(ODILE, "core-1")
    plant.caught_up()
    folder = plant.export().path
    told = pdf_text(folder / "day.pdf")
    assert "Recall 1: core-1 read 2 °F too high from its first reading" in told
    assert "J-1: lethality, core-1: was met, is DEVIATED." in told
    assert "NEVER CHECKED" in told, "no check was made up to the end of that day"
    plant.tick(24 * 60)
    later = pdf_text(plant.export(NEXT_DAY).path / "day.pdf")
    assert "LEFT 2 °F OFF, 1.8 °F allowed" in later
    assert "good, 1.8 °F allowed; next due 2026-03-17" in later


def test_days_that_a_recall_changes_are_owed_a_new_export(plant: Plant) -> None:
    """A day exported before the recall is owed again; once it is made, nothing is."""
    plant.cook("J-1")
    plant.tick(24 * 60)
    plant.service.exporter.export(DAY)
    assert plant.service.exporter.owed(plant.now) == []
    plant.tick(60)
    plant.desk.calibrate(ODILE, TWO_HIGH)
    plant.desk.recall(ODILE, "core-1")
    plant.caught_up()
    assert plant.service.exporter.owed(plant.now) == [DAY]
    folder = plant.service.exporter.export(DAY)
    assert folder.name == f"{DAY}-r2"
    assert plant.service.exporter.owed(plant.now) == []


def test_recall_sent_twice_by_one_form_is_carried_out_once(plant: Plant) -> None:
    """The same request gets the answer given before; another one is refused."""
    plant.cook("J-1")
    plant.desk.calibrate(ODILE, TWO_HIGH)
    hand = Hand("Odile Marsh", "operator", Key("page-1", "the same"))
    first = plant.desk.recall(hand, "core-1")
    assert plant.desk.recall(hand, "core-1") == first
    assert len(plant.entries("recall")) == 1


def test_recall_over_the_api(plant: Plant) -> None:
    """Check, preview, recall and list over HTTP; a mistake is a problem document, an inspector may look and not act."""

    async def whole() -> None:
        transport = httpx.ASGITransport(plant.service.app, client=("127.0.0.1", 5000), raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            entered = await client.post("/api/v1/session", json={"name": "Odile Marsh", "secret": "juniper-9"})
            client.headers["X-Form-Token"] = entered.json()["form_token"]
            body = {"probe": "core-1", "method": "boiling-point", "indicated": "212 °F", "pressure": "29.92 inHg", "altitude": "5000 ft"}
            refused = await client.post("/api/v1/calibrations", json=body)
            assert (refused.status_code, refused.headers["content-type"]) == (422, "application/problem+json")
            assert "not the one reduced to sea level" in refused.json()["detail"]
            made = await client.post("/api/v1/calibrations", json={"probe": "core-1", "method": "ice-point", "indicated": "34 °F"})
            assert (made.status_code, made.json()["within"], made.json()["reference"]) == (201, False, "melting ice")
            preview = (await client.get("/api/v1/recalls/preview", params={"probe": "core-1"})).json()
            assert [(c["lot"], c["was"], c["now"]) for c in preview["changes"]] == [("J-1", "met", "deviated")]
            key = {"Idempotency-Key": "recall-1"}
            done = await client.post("/api/v1/recalls", json={"probe": "core-1", "check": made.json()["id"]}, headers=key)
            again = await client.post("/api/v1/recalls", json={"probe": "core-1", "check": made.json()["id"]}, headers=key)
            assert (done.status_code, again.json()) == (201, done.json())
            other = await client.post("/api/v1/recalls", json={"probe": "core-1"})
            assert (other.status_code, "carried out once" in other.json()["detail"]) == (409, True)
            (one,) = (await client.get("/api/v1/recalls")).json()["recalls"]
            assert (one["probe"], one["by"], one["after"]) == ("core-1", "Odile Marsh", None)
            (line,) = [p for p in (await client.get("/api/v1/probes")).json()["probes"] if p["probe"] == "core-1"]
            assert line["checked"]["good"] is False

    plant.cook("J-1")
    word = PasswordHasher(time_cost=1, memory_cost=8 * 1024, parallelism=1).hash("juniper-9")
    named = update(people.person).where(people.person.c.name == "Odile Marsh").values(secret_hash=word)
    plant.service.writer.submit(lambda conn: conn.execute(named)).result(10)
    asyncio.run(whole())
    plant.caught_up()
    plant.tick(1)
    assert plant.verdict("J-1") == "deviated"
    (record,) = plant.entries("recall")
    assert [(c["lot"], c["now"]) for c in record["changes"]] == [("J-1", "deviated")]
