"""Checks of probes: offsets over time, what is allowed, when the next is due, and bad input."""

import pytest
from sqlalchemy import text

from monitor import calibrations
from monitor.check_desk import ProbeCheck
from monitor.desk import Hand
from monitor.errors import InputError
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, SECOND, Reading
from rules.science.errors import ScienceError

START = parse_instant("2026-03-02T08:00:00-06:00")
ODILE = Hand("Odile Marsh", "operator")
#: Raw 34 °F in melting ice: 2 °F too high, which is more than the 1 °C that is allowed.
TWO_HIGH = ProbeCheck("core-1", "ice-point", fahrenheit(34.0))


def test_offset_holds_from_the_check_on_and_late_readings_take_that_of_their_own_time(plant) -> None:
    """What was stored before keeps what it had; a late reading of before the check gets no offset, one of after it does."""
    plant.read("core-1", 50.0)
    before = plant.now
    plant.now += HOUR
    made = plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.5, correct=True))
    assert (made["within"], made["good"], made["offset_c"]) == (True, True, -0.5)
    plant.read("core-1", 50.0)
    assert plant.send(Reading("core-1", before + MINUTE, 10.0), Reading("core-1", plant.now - SECOND, 10.0)) == ["late", "late"]
    assert [offset for _, _, offset in plant.stored()] == [0.0, 0.0, -0.5, -0.5]


def test_second_correction_counts_from_what_the_probe_then_shows(plant) -> None:
    """A check reads what the page shows, correction included, so a further error is added to the offset in force."""
    plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.5, correct=True))
    plant.now += HOUR
    made = plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.2, correct=True))
    assert (made["offset_was_c"], made["offset_c"], made["good"]) == (-0.5, -0.7, True)


def test_boiling_point_is_worked_out_from_pressure_or_altitude(plant) -> None:
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
def test_check_that_cannot_be_gets_one_sentence(plant, check: ProbeCheck, words: str) -> None:
    """A wrong unit, a sea-level pressure, a broken probe: one sentence, and nothing is recorded."""
    with pytest.raises((InputError, ScienceError)) as caught:
        plant.desk.calibrate(ODILE, check)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert plant.entries("calibration") == []


def test_checks_and_recalls_are_never_changed(plant) -> None:
    """The database itself refuses to alter or delete a check."""
    plant.desk.calibrate(ODILE, TWO_HIGH)
    for sql in ("UPDATE calibration SET indicated_c = 0", "DELETE FROM calibration"):
        with pytest.raises(Exception, match="append-only"):
            plant.service.writer.submit(lambda conn, sql=sql: conn.execute(text(sql))).result(10)


def test_check_that_is_due_rings_until_a_good_one_is_on_record(plant) -> None:
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


def test_check_that_is_due_again_rings_although_nobody_has_seen_that_it_was_due_before(plant) -> None:
    """Made good and never acknowledged, the last one stays listed; it must not stand for the next."""
    plant.tick(8 * 24 * 60)
    assert "calibration/core-1/due" in plant.rung()
    plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", 0.1))
    plant.tick(11)
    assert "calibration/core-1/due" not in plant.rung()
    plant.tick(8 * 24 * 60)
    assert "calibration/core-1/due" in plant.rung()


def test_allowed_error_is_the_plans_within_the_food_code(plant) -> None:
    """Without a word 1 °C for a core probe and 1.5 °C for air; a site may ask for less."""
    allowed = {p.id: calibrations.allowed_c(p) for p in plant.service.plan.probes}
    assert allowed["core-1"] == 1.0
    assert allowed["cooler-air"] == pytest.approx(1.5 * 5 / 9)
