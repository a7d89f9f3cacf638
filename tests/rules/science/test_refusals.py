"""What the equations do not cover is refused in one sentence: what, which value, what instead."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from rules.errors import RulesError
from rules.reading import HOUR, MINUTE
from rules.science import boiling, cure, curve, degree_hours, growth, humidity, kinetics
from rules.science.errors import OutOfRange, ScienceError
from rules.science.growth import compare, model, models, predict
from rules.science.growth_forms import Conditions

BACK = [(HOUR, 20.0), (0, 21.0)]
NAN = [(0, 20.0), (HOUR, float("nan"))]
AT_37 = [(0, 37.0), (HOUR, 37.0)]

REFUSALS: dict[str, tuple[Callable[[], object], str]] = {
    "curve back in time": (lambda: kinetics.f_value(BACK, 60, 5.6), "rising order"),
    "curve with what was not measured": (lambda: kinetics.f_value(NAN, 60, 5.6), "leave out what was not measured"),
    "curve without samples": (lambda: curve.highest([]), "at least one"),
    "z of 0": (lambda: kinetics.lethal_rate(60, 60, 0.0), "z value is 0.0 °C; it must be above 0"),
    "D of 0": (lambda: kinetics.log_reduction(60, 0.0), "D value is 0.0 s"),
    "time below 0": (lambda: kinetics.equivalent_time(-1, 60, 70, 5.6), "time is -1 s"),
    "temperature without end": (lambda: kinetics.lethal_rate(1e9, 60, 5.6), "write °C"),
    "table of two rows": (lambda: kinetics.fit_hold_table([(60, 60), (61, 30), (62, 0)], 6.5, 60), "has 2 rows"),
    "table that rises": (lambda: kinetics.fit_hold_table([(60, 1), (61, 2), (62, 3)], 6.5, 60), "do not fall"),
    "growth below 0": (lambda: kinetics.recook_target(6.5, [-0.5]), "predicted growth is -0.5 log10"),
    "model above its range": (lambda: predict(model("SAL-M13"), [(0, 4.0), (HOUR, 38.1)]), "published for 4 to 38 °C"),
    "model below its range": (lambda: predict(model("SAL-EFSA"), [(0, 6.9)], conditions=Conditions(6, 0.97)), "published for 7 to 40 °C"),
    "model without its condition": (lambda: predict(model("SAL-EFSA"), AT_37), "needs pH, which is not given"),
    "condition outside its range": (lambda: model("SAL-EFSA").rate(20, Conditions(7.5, 0.97)), "pH is 7.5"),
    "model unknown": (lambda: model("SA-L15"), 'no growth model "SA-L15"; there are CP-J11-BEEF'),
    "growth of a negative integral": (lambda: growth.log10_growth(-1.0), "must be 0 or more"),
    "starting state of 0": (lambda: growth.log10_growth(1.0, 0.0), "q0 is 0.0"),
    "wet bulb above dry": (lambda: humidity.relative_humidity(60, 61), "never the warmer one"),
    "air drier than dry": (lambda: humidity.relative_humidity(80, 20), "drier than air without water"),
    "wet bulb at the boil": (lambda: humidity.relative_humidity(110, 100), "at or above the boiling point"),
    "frozen wick": (lambda: humidity.relative_humidity(5, -1), "holds for 0 to 200 °C"),
    "chamber above 200": (lambda: humidity.relative_humidity(201, 60), "hold up to 200 °C"),
    "pressure in hPa": (lambda: humidity.relative_humidity(60, 50, 1013.25), "1013 hPa is 101.3"),
    "pressure reduced to the sea": (lambda: boiling.boiling_point(pressure_kpa=101.3, altitude_m=1500), "not the one reduced to sea level"),
    "altitude in feet": (lambda: boiling.boiling_point(altitude_m=7000), "altitude is 7000 m"),
    "neither pressure nor altitude": (boiling.boiling_point, "needs one of them"),
    "saturation beyond the critical point": (lambda: boiling.saturation_temperature(22065), "0.611213 to 22064 kPa"),
    "saturation of ice": (lambda: boiling.saturation_pressure_if97(-1), "0 to 373.946 °C"),
    "dew point of frost": (lambda: humidity.dew_point(5, 40), "below 0 °C"),
    "humidity above 100": (lambda: humidity.dew_point(50, 101), "up to 100"),
    "share in per cent": (lambda: humidity.humid_time_needed(HOUR, 25, HOUR), "between 0 and 1"),
    "reading that is no number": (lambda: boiling.check(float("nan"), 0.0, 1.0), "before any adjustment"),
    "tolerance of 0": (lambda: boiling.tolerance("C", 0.0), "above 0"),
    "scale unknown": (lambda: boiling.tolerance("K"), 'write "C"'),  # type: ignore[arg-type]
    "curing salt in per cent": (lambda: cure.curing_salt_ppm(4, 6.25, 1600), "6.25 % is 0.0625"),
    "pump in per cent": (lambda: cure.pumped_ppm(1, 10, 1000), "10 % is 0.10"),
    "green weight of 0": (lambda: cure.comminuted_ppm(1, 0), "green weight is 0"),
    "nitrite above the meat": (lambda: cure.comminuted_ppm(2, 1), "both in one unit"),
    "brine as a fraction of nothing": (lambda: cure.brine_pct(2, 0), "moisture is 0 %"),
    "brine of 100": (lambda: cure.salt_for_brine(100, 60), "below 100"),
    "salt below 0": (lambda: cure.brine_pct(-1, 60), "salt is -1 %"),
    "degree-hours without unit": (lambda: degree_hours.parse_degree_hours("1200"), '"1200 °F h"'),
    "degree-hours without a row": (lambda: degree_hours.band_for([degree_hours.Band(None, 30.0, 1.0)], 35.0), "has no row"),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_what_cannot_be_computed_is_refused_in_one_sentence(name: str) -> None:
    """The value stands in the sentence, and what to write instead."""
    call, words = REFUSALS[name]
    with pytest.raises(ScienceError, match=re.escape(words)) as refused:
        call()
    text = str(refused.value)
    assert "\n" not in text
    assert not text.endswith(".")
    assert isinstance(refused.value, RulesError)
    assert isinstance(refused.value, ValueError)


def test_the_end_of_a_range_is_compared_to_a_thousandth_of_a_degree() -> None:
    """7 °C less the last bit of a float, as an interpolation gives it, is 7 °C; 6.999 is not."""
    known = Conditions(6, 0.97)
    assert predict(model("SAL-EFSA"), [(0, 25.0), (HOUR, 6.9999999999)], conditions=known).log10 > 0.0
    with pytest.raises(OutOfRange, match="published for 7 to 40"):
        predict(model("SAL-EFSA"), [(0, 25.0), (HOUR, 6.999)], conditions=known)


def test_beyond_the_range_only_where_the_model_ends_by_itself() -> None:
    """A cooling starts above Tmax and ends below Tmin, where the model says that nothing grows; what came from between is told."""
    found = predict(model("CP-J11-BEEF"), [(0, 60.0), (HOUR, 20.0), (2 * HOUR, 2.0)])
    assert 0.0 < found.outside_log < 0.5
    assert any("beyond its published 10 to 51 °C" in note for note in found.notes)
    assert predict(model("CP-J11-BEEF"), [(0, 60.0), (HOUR, 54.0)]).log10 == pytest.approx(0.0)
    with pytest.raises(OutOfRange, match=r"1\.00 h into the curve"):
        predict(model("SAL-M13"), [(0, 20.0), (HOUR, 40.0)])


def test_long_interval_is_told() -> None:
    """FSIS-GD-2021-14 (2021) pp. 73 and 80 ask for data at least every 30 min."""
    assert any("1 h" in n and "30 min" in n for n in predict(model("SAL-O02"), AT_37).notes)
    often = [(n * 30 * MINUTE, 37.0) for n in range(3)]
    assert not any("30 min" in n for n in predict(model("SAL-O02"), often).notes)


def test_cured_product_is_bounded_only_by_models_that_know_no_cure() -> None:
    """A cured prediction by an uncured model says "an upper bound only" in its result; one made on cured meat does not."""
    cold = [(0, 4.0), (HOUR, 4.0)]
    for m in models():
        if m.name == "SAL-EFSA":
            continue
        found = predict(m, cold, cured=True, conditions=Conditions(6.2, 0.97, 10.0))
        assert any(n.startswith("An upper bound only") for n in found.notes) is not m.cured
        assert found.upper_bound is (not m.cured or m.q0 is None)


def test_several_models_give_the_worst_first_and_say_who_refused() -> None:
    """A refusal takes no other model's answer away."""
    found, refused = compare((model("SAL-M13"), model("SAL-O02"), model("SAL-J09")), [(0, 45.0), (HOUR, 40.0)])
    assert [g.log10 for g in found] == sorted((g.log10 for g in found), reverse=True)
    assert {g.model for g in found} == {"SAL-O02", "SAL-J09"}
    assert len(refused) == 1
    assert "SAL-M13" in refused[0]


def test_dry_wick_reads_like_saturated_air_and_is_doubted() -> None:
    """Common practice, no source: a wet bulb within 0.2 °C of the dry one while heating."""
    assert humidity.wick_doubt(70.0, 69.9)
    assert humidity.wick_doubt(70.0, 69.0) == ""


def test_cure_is_weighed_in_one_unit_whichever() -> None:
    """Grams to kilograms of the block taken as grams, ounces as ounces: the ratio is the same."""
    assert cure.comminuted_ppm(0.15625, 1000.0) == pytest.approx(cure.comminuted_ppm(0.25, 1600.0))


def test_gap_is_left_out_of_the_certain_degree_hours() -> None:
    """An interval longer than the monitoring frequency counts as possible only: the difference of the two sums."""
    chamber = [(0, 25.6), (HOUR, 25.6), (4 * HOUR, 25.6)]
    assert degree_hours.degree_hours(chamber, 15.6) == pytest.approx(40.0)
    assert degree_hours.degree_hours(chamber, 15.6, max_gap=HOUR) == pytest.approx(10.0)


def test_time_at_a_row_needs_both_ends() -> None:
    """A stretch that ends or begins below the row's temperature is not counted, and exactly the temperature is."""
    core = [(0, 59.0), (MINUTE, 60.0), (3 * MINUTE, 60.5), (4 * MINUTE, 59.9)]
    assert curve.time_at_or_above(core, 60.0) == 2 * MINUTE
    assert curve.time_at_or_above(core, 60.0, max_gap=MINUTE) == 0
    assert (curve.lowest(core), curve.highest(core)) == (59.0, 60.5)


def test_gap_and_floor_earn_no_lethality() -> None:
    """Nothing from an interval longer than the limit's longest gap, nothing below the floor."""
    hold = [(0, 60.0), (MINUTE, 60.0), (10 * MINUTE, 60.0)]
    assert kinetics.f_value(hold, 60.0, 5.6) == pytest.approx(600.0)
    assert kinetics.f_value(hold, 60.0, 5.6, max_gap=2 * MINUTE) == pytest.approx(60.0)
    assert kinetics.f_value(hold, 60.0, 5.6, floor_c=60.0) == pytest.approx(600.0)
    assert kinetics.f_value(hold, 60.0, 5.6, floor_c=60.1) == 0.0


def test_degree_hours_of_fahrenheit_are_differences() -> None:
    """1200 °F h are 666.7 °C h: no 32 in a difference."""
    assert degree_hours.parse_degree_hours("1200 °F h") == pytest.approx(666.667, abs=0.001)
    assert degree_hours.parse_degree_hours("665 °C h") == 665.0
    assert degree_hours.hours_allowed(665.0, 15.6, 15.6) == float("inf")
