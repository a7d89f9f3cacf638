"""A probe found beyond its tolerance: what it measured is judged again, told, exported, and nothing is altered."""

import json
import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete

from monitor import recall_effect, recalls
from monitor.check_desk import ProbeCheck
from monitor.desk import Hand
from monitor.errors import RefusedError
from monitor.export.verify import check_folder
from monitor.judge import canonical
from monitor.store.schema import snapshot
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Reading

START = parse_instant("2026-03-02T08:00:00-06:00")
DAY, NEXT_DAY = "2026-03-02", "2026-03-03"
ODILE, TAM = Hand("Odile Marsh", "operator"), Hand("Tam Okafor", "reviewer")
#: Raw 34 °F in melting ice: 2 °F too high, which is more than the 1 °C that is allowed.
TWO_HIGH = ProbeCheck("core-1", "ice-point", fahrenheit(34.0))


def test_recall_turns_a_met_lot_and_the_new_revision_of_its_day_repeats_it(plant) -> None:
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
    assert plant.lots_of(plant.judged_again(second.path)) == {"J-1": "deviated"}
    assert canonical(plant.judged_again(second.path)) == (second.path / "lots.json").read_text(encoding="utf-8")
    assert plant.lots_of(plant.judged_again(first.path)) == {"J-1": "met"}, "the old revision stays"
    assert check_folder(second.path).wrong == []
    assert json.loads((second.path / "manifest.json").read_text(encoding="utf-8"))["problems"] == []


def test_offset_that_no_recall_explains_is_found_by_the_checker(plant) -> None:
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


def test_recall_of_a_lot_that_ended_long_ago_is_judged_from_the_store(plant) -> None:
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
    assert plant.lots_of(plant.judged_again(folder)) == {"J-1": "deviated"}
    assert check_folder(folder).wrong == []


def test_better_verdict_leaves_the_deviation_open(plant) -> None:
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


def test_recall_begins_at_the_last_good_check(plant) -> None:
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


def test_lot_whose_probe_was_replaced_is_judged_with_the_error_of_the_one_alone(plant) -> None:
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


def test_fixed_probe_is_recalled_with_the_days_of_its_room(plant) -> None:
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
    days = {d["day"]: d["verdict"] for d in plant.judged_again(folder)["standing"]}
    assert days[NEXT_DAY] == "deviated"
    assert check_folder(folder).wrong == []


def test_recall_is_carried_out_once(plant) -> None:
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


def test_late_readings_of_a_recalled_stretch_are_judged_with_its_error_off(plant) -> None:
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


def test_recall_by_nothing_changes_nothing(plant) -> None:
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
def test_order_in_which_late_readings_follow_a_recall_does_not_matter(new_plant, seed: int, hottest: float) -> None:
    """Recall, then the same late readings in another order and in other batches: the same report."""
    chance = random.Random(seed)
    reports = []
    for shuffled in (False, True):
        plant = new_plant()
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
