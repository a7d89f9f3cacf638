"""Heat conduction against the published table of roots and lag factors, and worked cases.

Table: roots and lag factors of the one-term solution for slab, cylinder and sphere, as printed in heat transfer textbooks
(transient conduction, table of coefficients), four decimals. HT1: textbook slab, problem 11-44, 5590 s. HT2, HT3: the
refrigeration handbook's limits for Bi > 100 (chapter on cooling times of foods; secondary copy).
HT7 to HT9 are our own regression values for sausages.
"""

import math

import pytest

from rules.quantity import fahrenheit
from rules.science.heat import bessel_j, decade_time, first_term, time_between

#: Bi, then root and lag factor of slab, cylinder and sphere.
TABLE = [
    (0.1, 0.3111, 1.0161, 0.4417, 1.0246, 0.5423, 1.0298),
    (0.2, 0.4328, 1.0311, 0.617, 1.0483, 0.7593, 1.0592),
    (0.5, 0.6533, 1.0701, 0.9408, 1.1143, 1.1656, 1.1441),
    (1, 0.8603, 1.1191, 1.2558, 1.2071, 1.5708, 1.2732),
    (2, 1.0769, 1.1785, 1.5994, 1.3384, 2.0288, 1.4793),
    (5, 1.3138, 1.2402, 1.9898, 1.5029, 2.5704, 1.787),
    (10, 1.4289, 1.262, 2.1795, 1.5677, 2.8363, 1.9249),
    (50, 1.54, 1.2727, 2.3572, 1.6002, 3.0788, 1.9962),
    (100, 1.5552, 1.2731, 2.3809, 1.6015, 3.1102, 1.999),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"Bi {row[0]}")
@pytest.mark.parametrize(("shape", "column"), [("slab", 1), ("cylinder", 3), ("sphere", 5)])
def test_root_and_lag_agree_with_the_printed_table(row, shape, column):
    """To the four decimals that are printed."""
    found = first_term(shape, row[0])
    assert found.eigenvalue == pytest.approx(row[column], abs=0.000051)
    assert found.lag == pytest.approx(row[column + 1], abs=0.000051)


def test_textbook_slab_freezing_steak_comes_to_the_printed_time():
    """HT1: slab half-thickness 0.01 m, Bi 0.2, alpha 0.91e-7, 25 to 2 °C at the surface, air -11 °C: 5590 s printed, rounded roots."""
    root, lag = first_term("slab", 0.2)
    surface = (2.0 + 11.0) / (25.0 + 11.0)
    seconds = math.log(lag * math.cos(root) / surface) / root**2 * 0.01**2 / 0.91e-7
    assert seconds == pytest.approx(5590, abs=5)


def test_limits_for_large_biot_numbers():
    """HT2: cylinder f alpha / R² is 0.3982; HT3: slab 0.9332 and j 1.273."""
    assert decade_time(1.0, 1.0, first_term("cylinder", 1e9).eigenvalue) == pytest.approx(0.3982, abs=0.0001)
    assert decade_time(1.0, 1.0, first_term("slab", 1e9).eigenvalue) == pytest.approx(0.9332, abs=0.0001)
    assert first_term("slab", 1e9).lag == pytest.approx(1.273, abs=0.0005)


@pytest.mark.parametrize(
    ("diameter_mm", "f_min", "lag", "first_min", "second_min"),
    [(60, 135.9, 1.258, 44.5, 136.6), (100, 271.0, 1.360, 88.7, 272.2), (26, 49.7, 1.130, 16.3, 49.9)],
)
def test_sausages_cool_in_the_recorded_times(diameter_mm, f_min, lag, first_min, second_min):
    """HT7 to HT9: alpha 1.3e-7 m²/s, k 0.45 W/(m K), h 20 W/(m² K), air 2 °C; 130 to 80 °F and 80 to 40 °F. Our regression values."""
    radius = diameter_mm / 2000
    term = first_term("cylinder", 20 * radius / 0.45)
    f = decade_time(radius, 1.3e-7, term.eigenvalue)
    assert f / 60 == pytest.approx(f_min, abs=0.06)
    assert term.lag == pytest.approx(lag, abs=0.0006)
    assert time_between(fahrenheit(130), fahrenheit(80), 2.0, f) / 60 == pytest.approx(first_min, rel=0.0015)
    assert time_between(fahrenheit(80), fahrenheit(40), 2.0, f) / 60 == pytest.approx(second_min, rel=0.0015)


def test_bessel_functions_at_their_known_zeros():
    """First zeros of J0 and J1, Abramowitz and Stegun table 9.5: 2.4048255577, 3.8317059702."""
    assert bessel_j(0, 2.4048255577) == pytest.approx(0, abs=1e-10)
    assert bessel_j(1, 3.8317059702) == pytest.approx(0, abs=1e-10)
    assert bessel_j(0, 0.0) == pytest.approx(1.0)


def test_what_is_never_reached_is_refused():
    """A core does not cool past its surroundings, and a Biot number of 0 has no root."""
    with pytest.raises(ValueError, match="never passed"):
        time_between(54.4, 1.0, 2.0, 3600)
    with pytest.raises(ValueError, match="above 0"):
        first_term("cylinder", 0)
