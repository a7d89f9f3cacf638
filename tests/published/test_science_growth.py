"""Growth models against published figures and the recorded check values.

Rows: science_growth.csv, GC1 to GC17, each with its source and how it was read. The models' parameters were read in a public model
repository's copies of the papers named in rules/science/growth_models.toml.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from rules.quantity import fahrenheit
from rules.reading import HOUR
from rules.science.curve import Curve
from rules.science.growth import Growth, log10_growth, model, models, predict
from rules.science.growth_forms import Conditions

HERE = Path(__file__).parent
PORK, CHICKEN, BEEF = "CP-J11-PORK", "CP-J11-CHICKEN", "CP-J11-BEEF"

#: Check values that cannot be computed here, and why.
NOT_COMPUTED = {
    "GC9": "the 21 published points are not held here; the two forms fitted to them are compared instead",
    "GC10": "CP-J06-CURED has no lag and no nitrite, and is not among the models that may be used",
    "GC11": "CS-H16 is a surrogate that is not among the models that may be used",
}


def rows(name: str = "science_growth.csv", key: str = "check_id") -> dict[str, dict[str, str]]:
    """The rows of a CSV of figures, without its citation, by their id."""
    with (HERE / name).open(encoding="utf-8") as file:
        return {r[key]: r for r in csv.DictReader(line for line in file if not line.startswith("#"))}


def curve(*points: tuple[float, float]) -> Curve:
    """Samples at (hours, °C)."""
    return [(round(hours * HOUR), celsius) for hours, celsius in points]


def fahrenheit_curve(*points: tuple[float, float]) -> Curve:
    """Samples at (hours, °F)."""
    return curve(*((hours, fahrenheit(f)) for hours, f in points))


def exponential(first: float, last: float, hours: float) -> Curve:
    """A curve whose °C falls by equal parts in equal times."""
    return curve(*((hours * n / 96, first * (last / first) ** (n / 96)) for n in range(97)))


def growth(name: str, samples: Curve, *, cured: bool = False) -> Growth:
    """The prediction of a model."""
    return predict(model(name), samples, cured=cured)


def logs(name: str, samples: Curve) -> float:
    """Its log10 growth alone."""
    return growth(name, samples).log10


def test_every_check_value_is_computed_or_says_why_not() -> None:
    """GC1 to GC17 are each named in a test of this file or in NOT_COMPUTED."""
    text = Path(__file__).read_text(encoding="utf-8")
    for name in rows():
        assert name in NOT_COMPUTED or f"{name}:" in text or f"{name} " in text, name


@pytest.mark.parametrize(("hours", "published", "recorded", "as_ln"), [(1.5, 1.1, 1.34, 0.24), (3.0, 3.6, 3.82, 1.03)])
def test_beef_rate_read_as_log10_agrees_with_the_companion_model_and_as_ln_does_not(
    hours: float, published: float, recorded: float, as_ln: float
) -> None:
    """GC1: GC2: Juneja, Marks & Thippareddi 2008, Food Microbiol. 25:42-55 (abstract; other parameters): 54.4 to 27 °C, about 1.1 and 3.6.

    The unit is not given in the copy. Read as log10/h the model is within 0.24 of the paper; read as ln/h it is dangerously low.
    """
    found = growth(BEEF, curve((0, 54.4), (hours, 27.0)))
    assert found.log10 == pytest.approx(recorded, abs=0.005)
    assert found.log10 == pytest.approx(published, abs=0.25)
    assert any("log10/h, inferred" in note for note in found.notes)
    q0 = model(BEEF).q0
    assert q0 is not None
    grown = 10.0**found.log10 * (1.0 + q0)
    integral = math.log((grown - 1.0) / q0)
    assert log10_growth(integral / math.log(10.0), q0) == pytest.approx(as_ln, abs=0.005)


def test_beef_starting_state_may_be_a_misprint() -> None:
    """GC1 and GC2 with q0 0.00699 for the printed 0.0699: 0.51 and 2.85, further from the paper; the printed one is kept."""
    q0 = model(BEEF).q0
    assert q0 == 0.0699
    for hours, smaller in ((1.5, 0.51), (3.0, 2.85)):
        grown = 10.0 ** logs(BEEF, curve((0, 54.4), (hours, 27.0))) * (1.0 + q0)
        assert log10_growth(math.log((grown - 1.0) / q0), 0.00699) == pytest.approx(smaller, abs=0.005)
    assert any("misprint" in caveat for caveat in model(BEEF).caveats)


@pytest.mark.parametrize(
    ("hours", "least", "most", "recorded"),
    [(1.0, 0.0, 1.05, 1.01), (2.0, 1.5, math.inf, 2.57), (5.0, 6.0, math.inf, 7.37)],
    ids=["GC3", "GC4", "GC5"],
)
def test_turkey_trials_are_not_underestimated(hours: float, least: float, most: float, recorded: float) -> None:
    """GC3: GC4: GC5: Glass et al., Meat and Muscle Biology, articles 17650, 17657 (abstracts): below 1, above 1.5, above 6 log10 observed.

    48.9 to 26.7 °C in 1, 2 or 5 h, to 12.8 in 5 h, to 4.4 in 5 h. At GC3 the model says 1.01, a hundredth over what was observed.
    """
    found = logs(CHICKEN, curve((0, 48.9), (hours, 26.7), (hours + 5, 12.8), (hours + 10, 4.4)))
    assert found == pytest.approx(recorded, abs=0.005)
    assert least < found < most


def test_pork_and_beef_on_the_turkey_trial_s_curve() -> None:
    """GC3: recorded beside chicken: pork 0.83, beef 1.98."""
    samples = curve((0, 48.9), (1, 26.7), (6, 12.8), (11, 4.4))
    assert logs(PORK, samples) == pytest.approx(0.83, abs=0.005)
    assert logs(BEEF, samples) == pytest.approx(1.98, abs=0.005)


def test_cured_ham_is_only_bounded_from_above() -> None:
    """GC6: abstract 2015: 6.4, 4.4 and 1.9 log10 at 7.5 h with 0, 50, 75 ppm nitrite; below 1 in 25 h with 100 ppm and more.

    No model here computes the nitrite. The uncured pork model lies above the ham without nitrite and says that it is a bound.
    """
    found = growth(PORK, curve((0, 54.4), (7.5, 54.4 - (54.4 - 26.7) * 0.75)), cured=True)
    assert found.log10 > 6.4
    assert found.upper_bound
    assert any(note.startswith("An upper bound only") for note in found.notes)


@pytest.mark.parametrize(("name", "last", "most"), [(BEEF, 11.0, math.log10(8.5)), (CHICKEN, 12.0, math.log10(21.3))], ids=["GC7", "GC8"])
def test_uncured_models_lie_above_the_published_cured_growth(name: str, last: float, most: float) -> None:
    """GC7: GC8: Juneja et al. 2001 and Juneja & Marks 2002 (abstracts; no parameters): from 51 °C in 8 h, upper 95 % 8.5x, 21.3x."""
    assert growth(name, exponential(51.0, last, 8.0), cured=True).log10 > most


def test_both_forms_fitted_to_one_data_set_agree() -> None:
    """In place of GC9: Oscar 2002 states errors of 0.023 and 0.025 log10/h on the same 21 points; the two forms differ by less."""
    square, cardinal = model("SAL-O02"), model("SAL-O02-CPM")
    assert max(abs(square.published_rate(t) - cardinal.published_rate(t)) for t in range(8, 49)) < 0.023 + 0.025


def test_beef_rate_at_43_is_the_published_peak_but_not_the_model_s_own() -> None:
    """GC12: roasted beef, one-step analysis (abstract): peak 5.64 ln/h. CP-J11-BEEF gives that at 43 °C; its own peak is 6.0 at 46 °C.

    The recorded row calls 43 °C the peak; the equation with the copy's parameters says otherwise.
    """
    beef = model(BEEF)
    assert beef.rate(43.0) == pytest.approx(5.64, abs=0.01)
    assert beef.published_rate(43.0) == pytest.approx(2.45, abs=0.005)
    assert beef.optimum() == pytest.approx(46.0, abs=0.05)
    assert beef.rate(beef.optimum()) == pytest.approx(6.0, abs=0.005)


@pytest.mark.parametrize(("name", "cool", "warm"), [("EC-T05", 0.24, 0.53), ("SAL-O02", 0.24, 0.51), ("SAL-J09", 0.47, 0.65)])
def test_models_without_lag_are_above_what_raw_meat_showed(name: str, cool: float, warm: float) -> None:
    """GC13: FSIS technology summary FY2003 C27: no significant growth, 8 h at 10 °C and 2 h at 22.2 °C; without lag they give some."""
    found = growth(name, curve((0, 10.0), (8, 10.0)))
    assert found.log10 == pytest.approx(cool, abs=0.005)
    assert logs(name, curve((0, 22.2), (2, 22.2))) == pytest.approx(warm, abs=0.005)
    assert found.upper_bound


@pytest.mark.parametrize(
    ("samples", "recorded"),
    [
        (fahrenheit_curve((0, 130), (1.5, 80), (6.5, 40)), (0.97, 0.99, 2.14)),
        (fahrenheit_curve((0, 120), (1, 80), (6, 55)), (0.82, 0.99, 1.96)),
        (fahrenheit_curve((0, 130), (5, 80), (15, 45)), (6.71, 6.91, 9.01)),
        (fahrenheit_curve((0, 135), (2, 70), (6, 41)), (0.71, 0.69, 1.79)),
    ],
    ids=["GC14", "GC15", "GC16", "GC17"],
)
def test_published_schedules_have_the_recorded_growth(samples: Curve, recorded: tuple[float, float, float]) -> None:
    """GC14: GC15: GC16: GC17: pork, chicken, beef; our regression values. The beef set would condemn a published schedule at 1 log10."""
    assert [logs(name, samples) for name in (PORK, CHICKEN, BEEF)] == pytest.approx(recorded, abs=0.006)


def test_lag_of_botulinum_at_its_optimum() -> None:
    """Huang 2018, Food Res. Int. 107:248-256 (copy): lag exp(2.21) rate**-0.786, 13.1 h at 36.4 °C."""
    assert model("CB-H18").lag_hours(36.4) == pytest.approx(13.1, abs=0.05)
    assert model("CB-H18").published_rate(36.4) == pytest.approx(0.633)


def test_listeria_at_4_degrees_is_0_085_a_day_and_not_0_084() -> None:
    """Mataragas et al. 2006 (copy): the reference sheet notes 0.084 log10 a day at 4 °C; the equation gives 0.0851."""
    assert model("LM-M06").published_rate(4.0) == pytest.approx(0.0851, abs=0.00005)


def test_meat_polynomial_agrees_with_two_other_salmonella_models_within_half() -> None:
    """EFSA Journal 12(3):3601 (2014, copy): the reference sheet says within 30 % at 15 to 37 °C, without pH and water activity.

    At pH 6.5 and aw 0.993 it is up to 42 % above Oscar 2002 and between 29 % below and 18 % above Juneja 2009.
    """
    known = Conditions(ph=6.5, aw=0.993)
    for other in ("SAL-O02", "SAL-J09"):
        for celsius in (15.0, 20.0, 25.0, 30.0, 35.0, 37.0):
            assert 0.70 < model("SAL-EFSA").rate(celsius, known) / model(other).rate(celsius) < 1.45


def test_models_that_are_not_to_be_used_are_not_there() -> None:
    """The copies of EFSA 2014 for L. monocytogenes, Lee 2015 and Gill 1991 failed their checks; neither are those usable as a rate only."""
    names = {m.name for m in models()}
    assert names == {
        BEEF, CHICKEN, PORK, "CB-H18", "SAL-O02", "SAL-O02-CPM", "SAL-J09", "SAL-M13", "SAL-EFSA", "EC-T05", "LM-M06", "LM-ME10",
    }  # fmt: skip


def test_every_model_tells_its_unit_and_how_it_is_known() -> None:
    """A unit that was assumed or inferred is said to be so in the result of every prediction."""
    for m in models():
        assert m.unit_status in {"stated", "inferred", "assumed"}
        assert m.caveats
        known = Conditions(6.2, 0.97, 0.0)
        notes = predict(m, curve((0, 12.0), (1, 15.0)), conditions=known).notes
        assert any(m.unit in note for note in notes)
        if m.unit_status != "stated":
            assert any("not read" in note for note in notes)
        assert any(m.reference in note for note in notes)


@pytest.mark.parametrize("row", rows("science_growth_models.csv", "model_id").values(), ids=lambda r: r["model_id"])
def test_parameters_unit_and_range_are_those_read(row: dict[str, str]) -> None:
    """science_growth_models.csv: each usable model as read in the copy of its paper."""
    m = model(row["model_id"])
    first = next(iter(m.parameters.values()))
    if row["p1_A_b_muopt"]:
        base, _, power = row["p1_A_b_muopt"].partition("^")
        assert first == pytest.approx(float(base) ** int(power or 1))
    for column, name in (("Tmin_c", "Tmin"), ("Tmax_c", "Tmax"), ("c", "c")):
        assert m.parameters.get(name) == (float(row[column]) if row[column] else None)
    if row["Topt_c"]:
        assert m.parameters.get("Topt", m.parameters.get("Tref")) == float(row["Topt_c"])
    assert m.unit == ("log10/day" if m.name == "LM-M06" else row["rate_unit"])
    assert row["unit_status"].startswith(m.unit_status)
    assert m.reference.split(",")[0].split(" 20")[0].split(" ")[0].replace("ø", "o") in row["reference"]
    if m.name != "LM-ME10":
        low, high = row["t_range_c"].split(";")[0].split("-")
        assert m.range_c == (float(low), float(high))
    if "q0" in row["lag"]:
        assert f"q0={m.q0:g}" in row["lag"]


#: The rate in ln/h of each equation written out with its printed numbers.
WRITTEN_OUT = [
    ("CP-J11-BEEF", 40.0, None, math.log(10) * 0.050**2 * (40 - 10.15) ** 2 * (1 - math.exp(0.238 * (40 - 53.0)))),
    ("CB-H18", 30.0, None,
        0.633 * (30 - 44.3) * (30 - 11.5) ** 2 / ((36.4 - 11.5) * ((36.4 - 11.5) * (30 - 36.4) - (36.4 - 44.3) * (36.4 + 11.5 - 60)))),
    ("SAL-O02", 25.0, None, math.log(10) * (0.02771 * (25 - 3.797) * (1 - math.exp(0.1769 * (25 - 51.12)))) ** 2),
    ("SAL-M13", 20.0, None, (0.0356 * (20 - 2.33)) ** 2),
    ("SAL-EFSA", 20.0, (6.0, 0.99, None), math.exp(
        -11.909 + 0.3649 * 20 + 1.7832 * 6 + 7.00019 * 0.1 - 0.00442 * 20 * 6 - 0.00458 * 400 - 0.12539 * 36 - 62.114 * 0.01)),
    ("LM-M06", 8.0, None, 2.302585 * (0.058 * (8 + 1.03)) ** 2 / 24),
    ("LM-ME10", 10.0, (6.2, 0.97, 60.0),
        0.419 * (12.83 / 27.83) ** 2 * (0.97 - 0.923) / 0.077 * (1 - 10 ** (4.97 - 6.2)) * (290 / 350) ** 2),
]  # fmt: skip


@pytest.mark.parametrize(("name", "celsius", "known", "rate"), WRITTEN_OUT, ids=[x[0] for x in WRITTEN_OUT])
def test_rate_is_that_of_the_equation_written_out(
    name: str, celsius: float, known: tuple[float | None, float | None, float | None] | None, rate: float
) -> None:
    """Each form once, with the numbers of its row in science_growth_models.csv."""
    assert model(name).rate(celsius, Conditions(*known) if known else None) == pytest.approx(rate, rel=1e-6)
