"""Lethal rate, F value, equivalent times and the D and z of tables against published and worked figures.

Worked examples: science_worked_examples.csv, each row with its source. D and z: science_d_z.csv (Goodfellow & Brown 1978, J. Food Prot.
41:598-605; Fain et al. 1991, J. Food Prot. 54:756; abstracts). Equivalents: science_equivalents.csv (ACMSF, March 2007; Food Standards
Agency list). Tables: FSIS-GD-2021-14 (14 December 2021), tables 2, 3, 4, 6; former 9 CFR 318.10.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from rules.book import load_table
from rules.limits.spec import HoldLethality
from rules.quantity import fahrenheit, parse_span, to_fahrenheit
from rules.reading import MINUTE, SECOND
from rules.science.curve import Curve, time_at_or_above
from rules.science.kinetics import (
    d_value,
    equivalent_time,
    f_value,
    fit_hold_table,
    lethal_rate,
    log_reduction,
    recook_target,
    summed_rates,
    time_for,
)

HERE = Path(__file__).parent
Z_F = 10.0 * 5.0 / 9.0  # 10 °F as a difference
T150 = fahrenheit(150.0)
D150_S = 0.172 * 60.0

#: Where each row of the worked examples is tested: a test of this file, or the file that does.
TESTED = {
    "P1": "test_hold_rows.py",
    "P2": "test_limit_is_raised_by_the_probe_s_accuracy",
    "P3": "test_recook_adds_the_largest_predicted_growth",
    "P4": "test_worked_by_engine.py",
    "P5": "test_worked_by_engine.py",
    "P6": "test_book_tables.py",
    "P7": "test_equivalent_times_of_burgers",
    "P8": "test_equivalent_times_of_burgers",
    "P9": "test_canning_sums_by_the_trapezoidal_rule",
    "P10": "test_canning_sums_by_the_trapezoidal_rule",
    "P11": "test_constant_100_degrees_for_2_min_is_4_log",
    "V1": "test_constant_150_for_67_s",
    "V2": "test_ramp_to_150_equals_its_closed_form",
    "V3": "test_ramp_without_a_hold_has_7_7_log_and_meets_no_row",
    "V4": "test_dip_is_counted_in_sums_only",
    "V5": "test_coarse_sampling_overstates_by_trapezoid_and_understates_by_the_lower_end",
    "V6": "test_trapezoid_of_one_minute_samples_overstates_by_half_a_per_cent",
    "V7": "test_hold_rows.py",
    "V8": "test_worked_by_engine.py",
    "V9": "test_worked_by_engine.py",
    "M1": "test_lethal_rates_from_memory_are_those_of_the_formula_but_one_time_is_not",
}


def rows_of(name: str) -> list[dict[str, str]]:
    """The rows of one CSV of figures, without its citation."""
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def profile(name: str) -> Curve:
    """A worked example's curve."""
    rows = [r for r in rows_of("science_worked_profiles.csv") if r["example_id"] == name]
    return [(round(float(r["minute"]) * MINUTE), fahrenheit(float(r["temp_f"]))) for r in rows]


def ramp(low_f: int, high_f: int, every: int = 1) -> Curve:
    """1 °F in a minute, sampled every so many minutes."""
    return [((f - low_f) * MINUTE, fahrenheit(float(f))) for f in range(low_f, high_f + 1, every)]


def hold_rows(ref: str, fat: float | None = None) -> list[tuple[float, float]]:
    """(°C, s) of a book's hold table."""
    rule = load_table(ref).rule(fat)
    assert isinstance(rule, HoldLethality)
    return [(r.at_c, r.length / SECOND) for r in rule.rows]


def test_every_worked_example_is_tested_and_the_test_says_so() -> None:
    """No row of the CSV is passed over in silence."""
    assert [r["id"] for r in rows_of("science_worked_examples.csv")] == list(TESTED)
    here = {place for place in TESTED.values() if place.startswith("test_") and not place.endswith(".py")}
    assert here <= set(globals())
    for name, place in TESTED.items():
        if place.endswith(".py"):
            text = (HERE / place).read_text(encoding="utf-8")
            assert f"{name}, " in text or f"{name}: " in text, f"{place} does not say which of its tests is {name}"


def test_limit_is_raised_by_the_probe_s_accuracy() -> None:
    """P2, FSIS-GD-2021-14 (2021) p. 20: 165 °F asked with a probe of 1 °F needs a reading of 166 °F."""
    accuracy = 1.0 * 5.0 / 9.0
    assert to_fahrenheit(fahrenheit(165.0) + accuracy) == pytest.approx(166.0)


def test_recook_adds_the_largest_predicted_growth() -> None:
    """P3, FSIS-GD-2021-14 (2021) p. 71: 2.5 log10 of Salmonella and 3.0 of E. coli O157:H7 raise a 6.5-log target to 9.5."""
    assert recook_target(6.5, [2.5, 3.0]) == 9.5
    assert recook_target(6.5, [0.4, 1.0]) == 6.5, "growth up to 1 log10 raises nothing"
    assert recook_target(6.5, []) == 6.5


@pytest.mark.parametrize(("celsius", "seconds", "within"), [(65, 13.6 * 60, 0.05 * 60), (75, 18.0, 0.5)])
def test_equivalent_times_of_burgers(celsius: float, seconds: float, within: float) -> None:
    """P7, P8, ACMSF (March 2007) summary para. 3: z 6 °C, 70 °C for 2 min is 65 °C for 13.6 min and 75 °C for 18 s (formula 17.6)."""
    assert equivalent_time(120.0, 70.0, celsius, 6.0) == pytest.approx(seconds, abs=within)


def test_burgers_at_60_are_printed_as_93_min_and_come_to_92_8() -> None:
    """Secondary page that quotes ACMSF (2007): printed rounded up."""
    (row,) = [r for r in rows_of("science_equivalents.csv") if r["jurisdiction"] == "UK burgers" and r["temp_c"] == "60"]
    minutes = equivalent_time(120.0, 70.0, 60.0, 6.0) / 60.0
    assert minutes == pytest.approx(92.83, abs=0.01)
    assert float(row["time_s"]) / 60.0 == pytest.approx(minutes, abs=0.2)


def test_canning_sums_by_the_trapezoidal_rule() -> None:
    """P9, P10, FAO Fisheries Technical Paper 285 (1988) ch. 1.3: 14.6 min and 8.6 min.

    Partial: the temperatures were not readable, only sums of L. So this shows the rule, not the rates.
    """
    spread = [0.0, *([2.925 / 10] * 10), 0.0]
    assert summed_rates(spread, 5 * 60.0) / 60.0 == pytest.approx(14.6, abs=0.05)
    heating = [0.0, *([1.342 / 6] * 6), 0.776]
    assert summed_rates(heating, 1.0) == pytest.approx(1.730, abs=1e-9)
    assert summed_rates(heating, 5 * 60.0) / 60.0 == pytest.approx(8.6, abs=0.06)


def test_constant_100_degrees_for_2_min_is_4_log() -> None:
    """P11, test suite of a general inactivation library (Bigelow model): D 5 min at 90 °C, z 10 °C."""
    f = f_value([(0, 100.0), (2 * MINUTE, 100.0)], 90.0, 10.0)
    assert log_reduction(f, 5 * 60.0) == pytest.approx(4.0, abs=1e-4)


def test_constant_150_for_67_s() -> None:
    """V1, derived: F150 1.11667 min, 6.4922 log10 with D150 0.172 min."""
    f = f_value([(0, T150), (67 * SECOND, T150)], T150, Z_F)
    assert f / 60 == pytest.approx(1.11667, abs=1e-5)
    assert log_reduction(f, D150_S) == pytest.approx(6.4922, abs=1e-3)


@pytest.mark.parametrize("every", [1, 5, 20])
def test_ramp_to_150_equals_its_closed_form(every: int) -> None:
    """V2, derived: 130 to 150 °F at 1 °F/min; the exponential rule gives the closed form whatever the sampling."""
    f = f_value(ramp(130, 150, every), T150, Z_F, between="exponential")
    assert f / 60 == pytest.approx(4.29952, abs=1e-4)
    assert log_reduction(f, D150_S) == pytest.approx(24.9972, abs=1e-3)


def test_ramp_without_a_hold_has_7_7_log_and_meets_no_row() -> None:
    """V3, derived: the integral says 7.73 log10, while no row of FSIS-GD-2021-14 table 2 was held (by the engine: test_hold_rows)."""
    curve = profile("V3")
    f = f_value(curve, T150, Z_F, between="exponential")
    assert f / 60 == pytest.approx(1.32993, abs=1e-4)
    assert log_reduction(f, D150_S) == pytest.approx(7.7322, abs=1e-3)
    rows = [row for row in hold_rows("us-inspected-2021/meat-6.5-log") if row[0] <= fahrenheit(145.0) + 1e-9]
    assert all(time_at_or_above(curve, at_c) / SECOND < seconds for at_c, seconds in rows)


def test_dip_is_counted_in_sums_only() -> None:
    """V4, derived: 2 + 1 + 2 min at 145, 143, 145 °F. 4 min in sum at 145 °F, 5 min at 143 °F (row 6 min), 8.5142 log10."""
    curve = profile("V4")
    f = f_value(curve, T150, Z_F)
    assert f / 60 == pytest.approx(1.46444, abs=1e-4)
    assert log_reduction(f, D150_S) == pytest.approx(8.5142, abs=1e-3)
    assert time_at_or_above(curve, fahrenheit(145.0)) == 4 * MINUTE
    assert time_at_or_above(curve, fahrenheit(143.0)) == 5 * MINUTE
    assert time_at_or_above(curve[:2], fahrenheit(145.0)) == 2 * MINUTE, "unbroken, half of what the row asks"


def test_coarse_sampling_overstates_by_trapezoid_and_understates_by_the_lower_end() -> None:
    """V5, derived: V3 every 5 min. Trapezoid 1.47368 min (+10.8 %), lower end 0.70811, exponential 1.32993."""
    curve = ramp(130, 145, 5)
    assert f_value(curve, T150, Z_F, between="trapezoid") / 60 == pytest.approx(1.47368, abs=1e-5)
    assert f_value(curve, T150, Z_F, between="lower") / 60 == pytest.approx(0.70811, abs=1e-5)
    assert f_value(curve, T150, Z_F, between="exponential") / 60 == pytest.approx(1.32993, abs=1e-5)


def test_trapezoid_of_one_minute_samples_overstates_by_half_a_per_cent() -> None:
    """V6, derived: 1.3358 min, +0.44 %."""
    assert f_value(profile("V3"), T150, Z_F, between="trapezoid") / 60 == pytest.approx(1.3358, abs=1e-4)


def test_lethal_rates_from_memory_are_those_of_the_formula_but_one_time_is_not() -> None:
    """M1, from memory, unverified (FDA fish guide, app. 4, table A-3): 17.0 min at 63 °C is remembered, the formula gives 17.15."""
    for celsius, rate, minutes in ((63, 0.117, 17.15), (66, 0.293, 6.8), (70, 1.0, 2.0), (75, 4.642, 0.43)):
        assert lethal_rate(celsius, 70.0, 7.5) == pytest.approx(rate, rel=0.005)
        assert time_for(6.0, celsius, 20.0, 70.0, 7.5) / 60 == pytest.approx(minutes, rel=0.01)
    assert time_for(6.0, 63.0, 20.0, 70.0, 7.5) / 60 != pytest.approx(17.0, abs=0.1)


@pytest.mark.parametrize(
    ("log", "z_f", "r_squared", "over"),
    [("6.5", 10.01, 0.9996, {142, 144, 145}), ("7", 10.02, 0.9999, set()), ("5", 10.02, 0.9995, {142, 143, 144, 145})],
)
def test_meat_tables_are_straight_lines_but_for_minutes_rounded_up(log: str, z_f: float, r_squared: float, over: set[int]) -> None:
    """FSIS-GD-2021-14 (2021) table 2 p. 35, table 6 p. 59, 130 to 157 °F: the rows that leave the line by more than 5 %, all longer."""
    fit = fit_hold_table(hold_rows(f"us-inspected-2021/meat-{log}-log"), float(log), fahrenheit(140.0))
    assert fit.z_c * 1.8 == pytest.approx(z_f, abs=0.02)
    assert fit.r_squared == pytest.approx(r_squared, abs=0.0001)
    assert {round(to_fahrenheit(c)) for c, ratio in fit.ratios if ratio > 1.05} == over
    assert min(ratio for _, ratio in fit.ratios) > 0.95


def test_meat_row_of_158_is_a_cut_off_and_not_the_line() -> None:
    """FSIS-GD-2021-14 (2021) table 2: 0 s printed at 158 °F, where the line of the 6.5-log column gives about 11 s."""
    rows = hold_rows("us-inspected-2021/meat-6.5-log")
    assert dict(rows)[fahrenheit(158.0)] == 0.0
    assert fit_hold_table(rows, 6.5, fahrenheit(140.0)).seconds(fahrenheit(158.0), 6.5) == pytest.approx(11.0, abs=0.6)


def test_d_values_implied_by_the_meat_table() -> None:
    """science_d_z.csv, derived: time of the row over 6.5 at 140, 145, 150, 155 °F; the table's D135 is longer than the paper's."""
    times = {round(to_fahrenheit(c)): s for c, s in hold_rows("us-inspected-2021/meat-6.5-log")}
    derived = [r for r in rows_of("science_d_z.csv") if r["medium"] == "meat table"]
    assert len(derived) == 4
    for row in derived:
        assert times[int(row["temp_f"])] / 6.5 / 60 == pytest.approx(float(row["d_min_low"]), abs=0.0006)
    (paper,) = [r for r in rows_of("science_d_z.csv") if r["medium"] == "ground beef" and r["temp_f"] == "135"]
    assert times[135] / 6.5 / 60 > float(paper["d_min_high"])


def test_z_of_the_paper_s_outer_points() -> None:
    """Goodfellow & Brown 1978 (abstract): D 61-62 min at 125 °F and 0.6-0.7 min at 145 °F imply z 10.1 °F, computed, not printed."""
    rows = [r for r in rows_of("science_d_z.csv") if r["medium"] == "ground beef"]
    points = [(fahrenheit(float(r["temp_f"])), (float(r["d_min_low"]) + float(r["d_min_high"])) * 30) for r in rows]
    first, last = points[0], points[-1]
    middle = fahrenheit(135.0)
    z = fit_hold_table([first, (middle, (first[1] * last[1]) ** 0.5), last], 1.0, middle).z_c
    assert z * 1.8 == pytest.approx(10.1, abs=0.05)
    assert d_value(first[0], last[1], last[0], z) == pytest.approx(first[1], rel=1e-6)


@pytest.mark.parametrize(("fat", "printed", "computed"), [("2.0", 9.3, 9.39), ("30.5", 11.4, 11.28)])
def test_z_of_listeria_in_beef_is_near_the_printed_one(fat: str, printed: float, computed: float) -> None:
    """Fain et al. 1991 (abstract): z 9.3 and 11.4 °F printed; a line through the three printed D values gives 9.4 and 11.3."""
    rows = [r for r in rows_of("science_d_z.csv") if fat in r["medium"]]
    fit = fit_hold_table([(fahrenheit(float(r["temp_f"])), float(r["d_min_low"]) * 60) for r in rows], 1.0, fahrenheit(135.0))
    assert len(rows) == 3
    assert fit.z_c * 1.8 == pytest.approx(computed, abs=0.01)
    assert fit.z_c * 1.8 == pytest.approx(printed, abs=0.2)


@pytest.mark.parametrize(("species", "outer", "top", "hot"), [("chicken", (10.4, 11.2), 162, 9.8), ("turkey", (11.6, 12.5), 164, 11.1)])
def test_poultry_tables_bend_and_have_no_single_z(species: str, outer: tuple[float, float], top: int, hot: float) -> None:
    """FSIS-GD-2021-14 (2021) tables 3 and 4, our fits: z in °F of 136 to 149 °F at 1 and 12 % fat, and the smaller one from 155 °F up."""

    def z_f(fat: int, first: int, last: int) -> float:
        rows = hold_rows(f"us-inspected-2021/{species}-7-log", fat)
        part = [row for row in rows if first <= round(to_fahrenheit(row[0])) <= last]
        return fit_hold_table(part, 7.0, fahrenheit(140.0)).z_c * 1.8

    below = [z_f(fat, 136, 149) for fat in range(1, 13)]
    above = [z_f(fat, 155, top) for fat in range(1, 13)]
    assert (below[0], below[-1]) == pytest.approx(outer, abs=0.05)
    assert min(below) > max(above)
    assert above == pytest.approx([hot] * 12, abs=0.15)


def test_uk_list_lies_on_a_line_of_z_7_6() -> None:
    """Food Standards Agency list (secondary): z 7.57 °C by fit, no time further than 7 % from the line."""
    rows = [(float(r["temp_c"]), float(r["time_s"])) for r in rows_of("science_equivalents.csv") if r["jurisdiction"] == "UK"]
    fit = fit_hold_table(rows, 6.0, 70.0)
    assert fit.z_c == pytest.approx(7.57, abs=0.01)
    assert max(abs(ratio - 1) for _, ratio in fit.ratios) == pytest.approx(0.07, abs=0.005)


def test_trichinae_table_is_straight_up_to_130_and_not_above() -> None:
    """Former 9 CFR 318.10(c)(1): z 6.1 °F from 120 to 130 °F; 134 to 142 °F is rounded or flattened by hand."""
    rows = [(int(r["temp_f"]), r["printed"]) for r in rows_of("cfr_318_10_heat.csv") if r["printed"] != "instant"]
    times = [(fahrenheit(f), parse_span(text) / SECOND) for f, text in rows]
    fit = fit_hold_table([t for t in times if t[0] <= fahrenheit(130.0) + 1e-9], 1.0, fahrenheit(130.0))
    assert fit.z_c * 1.8 == pytest.approx(6.1, abs=0.06)
    assert dict(times)[fahrenheit(142.0)] > 2 * fit.seconds(fahrenheit(142.0), 1.0)


BROTH = [r for r in rows_of("science_d_z.csv") if r["medium"] == "chicken broth"]


@pytest.mark.parametrize("row", BROTH, ids=lambda r: r["temp_c"])
def test_table_asks_for_more_than_the_broth_s_d_values(row: dict[str, str]) -> None:
    """Juneja, Eblen & Ransom 2001, J. Food Sci. 66(1):146-152 (abstract): D of eight serotypes in broth, 55 to 62 °C.

    In meat they are higher, says the paper. The chicken table at its lowest fat asks for 7 D and more of the broth at every one of them.
    """
    celsius, minutes = float(row["temp_c"]), float(row["d_min_low"])
    assert (minutes, len(BROTH)) == (float(row["d_min_high"]), 4)
    at, seconds = min(((at, s) for at, s in hold_rows("us-inspected-2021/chicken-7-log", 1) if at >= celsius - 0.3), default=(0.0, 0.0))
    if at - celsius > 1.0:  # the table begins at 136 °F, 57.8 °C
        assert celsius == 55.0
        return
    assert seconds / 60 > 7 * minutes


def test_broth_s_d_values_are_no_single_line() -> None:
    """Juneja, Eblen & Ransom 2001 (abstract): no z is printed; a line has 6.65 °C, and leaves 58 °C a third above itself."""
    fit = fit_hold_table([(float(r["temp_c"]), float(r["d_min_low"]) * 60) for r in BROTH], 1.0, 60.0)
    assert fit.z_c == pytest.approx(6.65, abs=0.01)
    assert dict(fit.ratios)[58.0] == max(ratio for _, ratio in fit.ratios) > 1.25


@pytest.mark.parametrize("row", [r for r in rows_of("science_d_z.csv") if r["medium"] == "ground beef"], ids=lambda r: r["temp_f"])
def test_table_s_line_goes_through_the_paper_s_d_values(row: dict[str, str]) -> None:
    """Goodfellow & Brown 1978 (abstract): 125, 135, 145 °F. The 6.5-log column's line lies within half of each, and above at 135 °F."""
    fit = fit_hold_table(hold_rows("us-inspected-2021/meat-6.5-log"), 6.5, fahrenheit(140.0))
    implied = fit.seconds(fahrenheit(float(row["temp_f"])), 6.5) / 6.5 / 60
    assert float(row["d_min_low"]) / 1.5 < implied < float(row["d_min_high"]) * 1.5
