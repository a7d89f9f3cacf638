"""Laws that the published equations keep, whatever the curve: monotony, units, and freedom from how a curve was cut."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rules.reading import HOUR, MINUTE, SECOND
from rules.science.curve import Curve
from rules.science.degree_hours import degree_hours
from rules.science.growth import Model, log10_growth, models, predict
from rules.science.growth_forms import Conditions
from rules.science.humidity import dew_point, least_relative_humidity, relative_humidity, saturation_pressure
from rules.science.kinetics import Between, equivalent_time, f_value, lethal_rate

KNOWN = Conditions(ph=6.2, aw=0.98, nitrite_ppm=20.0)
REFERENCE_C, Z_C = 60.0, 5.6
RULES: tuple[Between, ...] = ("lower", "exponential", "trapezoid")


def curves(low: float, high: float, shortest: int = SECOND) -> st.SearchStrategy[Curve]:
    """Up to eight samples with steps of a second, or `shortest`, to two hours."""
    sample = st.tuples(st.integers(shortest, 2 * HOUR), st.floats(low, high))

    def join(parts: list[tuple[int, float]]) -> Curve:
        at, curve = 0, []
        for step, celsius in parts:
            at += step
            curve.append((at, celsius))
        return curve

    return st.lists(sample, min_size=2, max_size=8).map(join)


def warmer(curve: Curve, by: float) -> Curve:
    """The same curve, uniformly warmer."""
    return [(at, celsius + by) for at, celsius in curve]


def split(curve: Curve, pieces: int) -> Curve:
    """The same straight runs with more samples on them, on whole microseconds."""
    out = [curve[0]]
    for (t1, c1), (t2, c2) in pairwise(curve):
        for n in range(1, pieces + 1):
            at = t1 + (t2 - t1) * n // pieces
            out.append((at, c1 + (c2 - c1) * (at - t1) / (t2 - t1)))
    return out


@pytest.mark.parametrize("between", RULES)
@settings(max_examples=40, deadline=None)
@given(curve=curves(40.0, 75.0), by=st.floats(0.0, 10.0), floor=st.floats(40.0, 60.0))
def test_colder_never_raises_lethality(between: Between, curve: Curve, by: float, floor: float) -> None:
    """A uniformly colder core has no larger F, by any rule, with a floor too."""
    cold = f_value(warmer(curve, -by), REFERENCE_C, Z_C, between=between, floor_c=floor)
    assert cold <= f_value(curve, REFERENCE_C, Z_C, between=between, floor_c=floor) * (1 + 1e-9)


@settings(max_examples=40, deadline=None)
@given(curve=curves(40.0, 75.0))
def test_lower_end_is_least_and_trapezoid_most(curve: Curve) -> None:
    """L is convex: lower end <= exponential <= trapezoid."""
    low, exact, high = (f_value(curve, REFERENCE_C, Z_C, between=rule) for rule in RULES)
    assert low <= exact * (1 + 1e-9)
    assert exact <= high * (1 + 1e-9)


@settings(max_examples=40, deadline=None)
@given(curve=curves(40.0, 75.0, MINUTE), pieces=st.integers(2, 7), floor=st.floats(35.0, 70.0))
def test_exponential_rule_does_not_depend_on_how_a_straight_run_is_cut(curve: Curve, pieces: int, floor: float) -> None:
    """It is exact between samples, so more samples on the same line change nothing; with a floor too."""
    whole = f_value(curve, REFERENCE_C, Z_C, between="exponential", floor_c=floor)
    assert f_value(split(curve, pieces), REFERENCE_C, Z_C, between="exponential", floor_c=floor) == pytest.approx(whole, rel=1e-4, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(celsius=st.floats(40.0, 80.0), minutes=st.integers(1, 600), pieces=st.integers(2, 9))
def test_splitting_an_isothermal_hold_changes_no_result(celsius: float, minutes: int, pieces: int) -> None:
    """F, degree-hours and growth of a constant temperature do not depend on the number of samples."""
    whole = [(0, celsius), (minutes * MINUTE, celsius)]
    cut = split(whole, pieces)
    for rule in RULES:
        assert f_value(cut, 70.0, 10.0, between=rule) == pytest.approx(f_value(whole, 70.0, 10.0, between=rule))
    assert degree_hours(cut, 15.6) == pytest.approx(degree_hours(whole, 15.6))


@pytest.mark.parametrize("model", models(), ids=lambda m: m.name)
@settings(max_examples=12, deadline=None)
@given(part=st.floats(0.0, 1.0), minutes=st.integers(1, 600), pieces=st.integers(2, 9))
def test_splitting_an_isothermal_stretch_changes_no_growth(model: Model, part: float, minutes: int, pieces: int) -> None:
    """Growth at a constant temperature within the range depends on the time alone."""
    low, high = model.range_c
    whole = [(0, low + (high - low) * part), (minutes * MINUTE, low + (high - low) * part)]
    found = predict(model, whole, conditions=KNOWN).log10
    assert predict(model, split(whole, pieces), conditions=KNOWN).log10 == pytest.approx(found, abs=1e-9)
    rate = model.rate(whole[0][1], KNOWN)
    assert found == pytest.approx(log10_growth(rate * minutes / 60.0, model.q0), abs=1e-9)


@pytest.mark.parametrize("model", models(), ids=lambda m: m.name)
@settings(max_examples=12, deadline=None)
@given(data=st.data())
def test_warmer_never_lowers_growth_below_the_optimum(model: Model, data: st.DataObject) -> None:
    """Within the range and up to the temperature of the highest rate."""
    low, best = model.range_c[0], model.optimum(KNOWN)
    curve = data.draw(curves(low, best))
    room = best - max(c for _, c in curve)
    by = data.draw(st.floats(0.0, 1.0)) * room
    cool, warm = (predict(model, c, conditions=KNOWN).log10 for c in (curve, warmer(curve, by)))
    assert warm >= cool - 1e-6 * max(cool, 1.0)


@pytest.mark.parametrize("model", models(), ids=lambda m: m.name)
@settings(max_examples=10, deadline=None)
@given(data=st.data())
def test_growth_hardly_depends_on_how_a_straight_run_is_cut(model: Model, data: st.DataObject) -> None:
    """The documented step keeps the integral to a ten-thousandth of a log10, or of the whole."""
    curve = data.draw(curves(*model.range_c, MINUTE))
    whole = predict(model, curve, conditions=KNOWN).log10
    assert predict(model, split(curve, 5), conditions=KNOWN).log10 == pytest.approx(whole, rel=1e-4, abs=1e-4)


@pytest.mark.parametrize("model", models(), ids=lambda m: m.name)
def test_rate_is_never_negative_and_zero_at_the_model_s_own_ends(model: Model) -> None:
    """Over the range, and at and beyond Tmin and Tmax where the model has them."""
    low, high = model.range_c
    assert all(model.rate(low + (high - low) * n / 100, KNOWN) >= 0.0 for n in range(101))
    zero_low, zero_high = model.zeros
    for celsius in (zero_low, zero_low - 5, zero_high, zero_high + 5):
        if math.isfinite(celsius):
            assert model.rate(celsius, KNOWN) == 0.0


@settings(max_examples=40, deadline=None)
@given(integral=st.floats(0.0, 5000.0), q0=st.floats(1e-6, 10.0))
def test_lag_only_ever_lessens_growth(integral: float, q0: float) -> None:
    """log10((1 + q0 exp I) / (1 + q0)) is at most I / ln 10, at least nothing, and does not overflow."""
    with_lag = log10_growth(integral, q0)
    assert -1e-9 <= with_lag <= log10_growth(integral) + 1e-9


@settings(max_examples=40, deadline=None)
@given(curve=curves(5.0, 50.0), by=st.floats(0.0, 10.0), pieces=st.integers(2, 5))
def test_warmer_never_lowers_degree_hours_nor_does_coarser_sampling(curve: Curve, by: float, pieces: int) -> None:
    """The warmer end of an interval is taken, so fewer samples on the same line give no less."""
    whole = degree_hours(curve, 15.6)
    assert degree_hours(warmer(curve, by), 15.6) >= whole
    assert degree_hours(split(curve, pieces), 15.6) <= whole * (1 + 1e-9) + 1e-9


@settings(max_examples=40, deadline=None)
@given(dry=st.floats(10.0, 95.0), fall=st.floats(0.0, 20.0), kpa=st.floats(80.0, 104.0), u=st.floats(0.0, 1.0))
def test_humidity_is_between_0_and_100_and_uncertainty_lowers_it(dry: float, fall: float, kpa: float, u: float) -> None:
    """A wet bulb at the dry one is 100 %; both uncertainties count against the lot."""
    wet = max(dry - fall, 5.0)
    assume(saturation_pressure(wet) < kpa - 1.0)
    assume(wet - u >= 0.0)
    try:
        found = relative_humidity(dry, wet, kpa)
    except ValueError:
        assume(False)
    assert 0.0 < found <= 100.0 + 1e-6
    assert relative_humidity(wet, wet, kpa) == pytest.approx(100.0, abs=1e-6)
    assert least_relative_humidity(dry, wet, u, u, kpa) <= found + 1e-9


@settings(max_examples=40, deadline=None)
@given(dry=st.floats(20.0, 95.0), humidity=st.floats(35.0, 100.0))
def test_dew_point_is_where_the_vapour_saturates(dry: float, humidity: float) -> None:
    """And never above the dry bulb."""
    dew = dew_point(dry, humidity)
    assert dew <= dry + 1e-6
    assert 100.0 * saturation_pressure(dew) / saturation_pressure(dry) == pytest.approx(humidity, abs=1e-5)


@settings(max_examples=40, deadline=None)
@given(at=st.floats(50.0, 80.0), other=st.floats(50.0, 80.0), seconds=st.floats(0.0, 1e5))
def test_equivalent_time_there_and_back_is_the_same_time(at: float, other: float, seconds: float) -> None:
    """And the lethal rate at the reference is 1."""
    there = equivalent_time(seconds, at, other, Z_C)
    assert equivalent_time(there, other, at, Z_C) == pytest.approx(seconds, rel=1e-9)
    assert lethal_rate(at, at, Z_C) == 1.0
