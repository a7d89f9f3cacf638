"""Thermocouples, platinum resistors, thermistors: published points, and two general libraries beside ours.

Points of the ITS-90 tables (NIST Monograph 175, 1993, and its tables as published on paper to 0.001 mV) and of IEC 60751 (2008, tables to
0.01 ohm), both as read in secondary copies; the figures with more digits were computed by three general libraries from the monograph's
functions (thermocouple-its90 1.0.2, thermocouples 2.1.2, thermocouples_reference 0.20), which agreed to the digits written here.
The thermistor points are computed from the constants written beside them (a maker's 10 kohm curve; the beta equation).
"""

from __future__ import annotations

import pytest
import thermocouple_its90
from hypothesis import given
from hypothesis import strategies as st

from probes.convert import (
    Beta,
    Divider,
    SteinhartHart,
    platinum_celsius,
    platinum_ohm,
    thermocouple_celsius,
    thermocouple_mv,
)
from probes.errors import RawValueError

#: (type, °C, mV by three libraries); below -200 °C nothing is taken.
EMF = [
    ("K", -200, -5.891404),
    ("K", -150, -4.912708),
    ("K", -140, -4.668978),
    ("K", -130, -4.410619),
    ("K", -100, -3.553631),
    ("K", -50, -1.889383),
    ("K", -40, -1.526948),
    ("K", -20, -0.77754),
    ("K", -18, -0.700946),
    ("K", -10, -0.391854),
    ("K", 0, 0.0),
    ("K", 4, 0.158186),
    ("K", 5, 0.197851),
    ("K", 10, 0.396862),
    ("K", 20, 0.79812),
    ("K", 25, 1.000242),
    ("K", 40, 1.611792),
    ("K", 50, 2.023078),
    ("K", 54.4, 2.204753),
    ("K", 60, 2.436472),
    ("K", 63, 2.560794),
    ("K", 65, 2.643734),
    ("K", 68.3, 2.780672),
    ("K", 70, 2.851249),
    ("K", 71.1, 2.896926),
    ("K", 73.9, 3.013222),
    ("K", 75, 3.058917),
    ("K", 80, 3.266642),
    ("K", 90, 3.681879),
    ("K", 99.974, 4.095155),
    ("K", 100, 4.09623),
    ("K", 110, 4.50906),
    ("K", 120, 4.919882),
    ("K", 130, 5.328395),
    ("K", 150, 6.138344),
    ("K", 200, 8.138473),
    ("K", 250, 10.153369),
    ("K", 300, 12.208566),
    ("K", 400, 16.397142),
    ("K", 500, 20.644286),
    ("K", 1000, 41.275606),
    ("K", 1300, 52.410275),
    ("T", -200, -5.602961),
    ("T", -190, -5.438644),
    ("T", -150, -4.648468),
    ("T", -100, -3.378582),
    ("T", -90, -3.088893),
    ("T", -50, -1.819036),
    ("T", -40, -1.474992),
    ("T", -20, -0.756838),
    ("T", -10, -0.38305),
    ("T", 0, 0.0),
    ("T", 4, 0.155538),
    ("T", 10, 0.390996),
    ("T", 20, 0.789612),
    ("T", 25, 0.991977),
    ("T", 40, 1.611793),
    ("T", 54.4, 2.224952),
    ("T", 60, 2.468151),
    ("T", 70, 2.908896),
    ("T", 71.1, 2.957876),
    ("T", 80, 3.357718),
    ("T", 100, 4.278519),
    ("T", 120, 5.228449),
    ("T", 150, 6.704087),
    ("T", 200, 9.288102),
    ("T", 300, 14.861928),
    ("T", 400, 20.87197),
    ("J", -200, -7.890483),
    ("J", -100, -4.632524),
    ("J", -40, -1.960646),
    ("J", -20, -0.994726),
    ("J", -10, -0.500677),
    ("J", 0, 0.0),
    ("J", 4, 0.202007),
    ("J", 10, 0.506775),
    ("J", 20, 1.019149),
    ("J", 25, 1.277288),
    ("J", 40, 2.058847),
    ("J", 54.4, 2.818214),
    ("J", 60, 3.115668),
    ("J", 70, 3.649539),
    ("J", 71.1, 3.708465),
    ("J", 80, 4.186583),
    ("J", 100, 5.268916),
    ("J", 120, 6.360306),
    ("J", 150, 8.009905),
    ("J", 200, 10.778746),
    ("J", 300, 16.327206),
    ("J", 500, 27.392631),
    ("J", 760, 42.918641),
    ("J", 1000, 57.95341),
    ("N", -200, -3.990376),
    ("N", -100, -2.406811),
    ("N", -40, -1.022757),
    ("N", 0, 0.0),
    ("N", 20, 0.525184),
    ("N", 60, 1.618969),
    ("N", 71.1, 1.933342),
    ("N", 100, 2.774124),
    ("N", 150, 4.301844),
    ("N", 200, 5.913415),
    ("N", 300, 9.341152),
    ("N", 1000, 36.255538),
]
#: (type, °C, mV of the published table)
TABLE = [
    ("K", -200, -5.891),
    ("K", -150, -4.913),
    ("K", -140, -4.669),
    ("K", -130, -4.411),
    ("T", -200, -5.603),
    ("T", -190, -5.439),
    ("T", -150, -4.648),
    ("T", -100, -3.379),
    ("T", -90, -3.089),
    ("T", -50, -1.819),
    ("T", -40, -1.475),
]
#: (type, °C of the terminals, °C of the hot junction, mV between the terminals, °C if degrees were added instead of millivolts)
COLD_JUNCTION = [
    ("K", 25, 71.1, 1.896683, 71.9331),
    ("K", 20, 0, -0.79812, -0.5386),
    ("K", 30, 54.4, 1.001478, 55.0305),
    ("K", -5, 4, 0.354808, 3.9458),
    ("K", 22.5, 120, 4.020819, 120.6777),
    ("K", 40, 100, 2.484438, 101.1578),
    ("T", 25, 71.1, 1.965899, 73.3667),
    ("T", 20, 0, -0.789612, -0.8893),
    ("T", 30, 54.4, 1.028506, 55.8971),
    ("T", -5, 4, 0.348178, 3.914),
    ("T", 22.5, 120, 4.337915, 123.7683),
    ("T", 40, 100, 2.666726, 104.5285),
    ("J", 25, 71.1, 2.431176, 72.0802),
    ("J", 20, 0, -1.019149, -0.4981),
    ("J", 30, 54.4, 1.281561, 55.0826),
    ("J", -5, 4, 0.45314, 3.947),
    ("J", 22.5, 120, 5.212244, 121.4573),
    ("J", 40, 100, 3.210069, 101.7728),
]
#: (°C, ohm of a Pt100 computed by IEC 60751)
OHM = [
    (-200, 18.5201),
    (-100, 60.2558),
    (-40, 84.2707),
    (-30, 88.2217),
    (-20, 92.1599),
    (-10, 96.0859),
    (0, 100.0),
    (4, 101.5624),
    (5, 101.9527),
    (10, 103.9025),
    (20, 107.7935),
    (25, 109.7347),
    (30, 111.6729),
    (40, 115.5408),
    (50, 119.3971),
    (54.4, 121.0902),
    (60, 123.2419),
    (63, 124.3931),
    (68.3, 126.4243),
    (70, 127.0751),
    (71.1, 127.4961),
    (73.9, 128.567),
    (80, 130.8968),
    (90, 134.7069),
    (100, 138.5055),
    (110, 142.2925),
    (120, 146.068),
    (130, 149.8319),
    (140, 153.5843),
    (150, 157.3251),
    (160, 161.0544),
    (170, 164.7721),
    (200, 175.856),
    (250, 194.0981),
    (300, 212.0515),
    (400, 247.092),
    (500, 280.9775),
    (600, 313.708),
    (850, 390.4811),
]
#: (°C, ohm of the published Pt100 table)
OHM_TABLE = [
    (-200, 18.52),
    (-100, 60.26),
    (-40, 84.27),
    (-30, 88.22),
    (-20, 92.16),
    (-10, 96.09),
    (0, 100.0),
    (10, 103.9),
    (20, 107.79),
    (30, 111.67),
    (40, 115.54),
    (50, 119.4),
    (60, 123.24),
    (70, 127.08),
    (80, 130.9),
    (90, 134.71),
    (100, 138.51),
    (110, 142.29),
    (120, 146.07),
    (130, 149.83),
    (140, 153.58),
    (150, 157.33),
    (160, 161.05),
    (170, 164.77),
    (200, 175.86),
    (250, 194.1),
    (300, 212.05),
    (400, 247.09),
    (500, 280.98),
    (600, 313.71),
]
#: (°C, ohm, counts of a 12-bit converter (4095) below a 10 kohm resistor)
BETA_3950 = [
    (-20, 105384.69, 3740.1),
    (-10, 58245.713, 3494.96),
    (0, 33620.604, 3156.22),
    (4, 27287.54, 2996.78),
    (5, 25924.562, 2955.11),
    (10, 20174.577, 2737.9),
    (20, 12535.326, 2277.85),
    (25, 10000.0, 2047.5),
    (40, 5301.467, 1418.79),
    (50, 3588.183, 1081.35),
    (54.4, 3044.838, 955.83),
    (60, 2486.165, 815.37),
    (63, 2236.533, 748.46),
    (70, 1759.837, 612.81),
    (71.1, 1696.283, 593.89),
    (80, 1270.32, 461.56),
    (90, 933.577, 349.66),
    (100, 697.52, 267.01),
    (120, 407.089, 160.18),
]
STEINHART = [
    (-20.5471, 100000.0, 3722.73),
    (-8.1428, 50000.0, 3412.5),
    (0, 32650.0, 3134.86),
    (9.9023, 20000.0, 2730.0),
    (25, 10000.0, 2047.5),
    (41.5562, 5000.0, 1365.0),
    (66.0905, 2000.0, 682.5),
    (87.0429, 1000.0, 372.27),
    (100, 675.0, 258.93),
    (110.4831, 500.0, 195.0),
]
MAKER = SteinhartHart(1.137750635e-03, 2.327991692e-04, 9.228808826e-08)
TEN_K = Divider(10_000.0, 4095.0)


@pytest.mark.parametrize(("kind", "celsius", "mv"), EMF)
def test_thermocouple_function_is_that_of_the_monograph(kind: str, celsius: float, mv: float) -> None:
    """mV agree to the last digit printed, and °C come back."""
    assert thermocouple_mv(kind, celsius) == pytest.approx(mv, abs=6e-7)
    assert thermocouple_celsius(kind, mv) == pytest.approx(celsius, abs=2e-4)


@pytest.mark.parametrize(("kind", "celsius", "mv"), TABLE)
def test_thermocouple_matches_the_published_table(kind: str, celsius: float, mv: float) -> None:
    """The paper tables are rounded to 0.001 mV."""
    assert round(thermocouple_mv(kind, celsius), 3) == pytest.approx(mv, abs=1e-9)


@pytest.mark.parametrize(("kind", "junction", "hot", "mv", "wrong"), COLD_JUNCTION)
def test_cold_junction_adds_millivolts_not_degrees(kind: str, junction: float, hot: float, mv: float, wrong: float) -> None:
    """Adding degrees would be off by as much as the last column says."""
    assert thermocouple_celsius(kind, mv, junction) == pytest.approx(hot, abs=1e-3)
    assert thermocouple_celsius(kind, mv) + junction == pytest.approx(wrong, abs=0.06)  # the column used the approximate inverse
    assert abs(wrong - hot) > 0.02


@pytest.mark.parametrize(("celsius", "ohm"), OHM)
def test_platinum_follows_iec_60751(celsius: float, ohm: float) -> None:
    """Both ways, Pt100 and Pt1000."""
    assert platinum_ohm(celsius) == pytest.approx(ohm, abs=6e-5)
    assert platinum_ohm(celsius, 1000.0) == pytest.approx(10 * ohm, abs=6e-4)
    assert platinum_celsius(ohm) == pytest.approx(celsius, abs=3e-4)


@pytest.mark.parametrize(("celsius", "ohm"), OHM_TABLE)
def test_platinum_matches_the_published_table(celsius: float, ohm: float) -> None:
    """The tables are rounded to 0.01 ohm."""
    assert platinum_ohm(celsius) == pytest.approx(ohm, abs=0.00501)


@pytest.mark.parametrize(("celsius", "ohm", "counts"), BETA_3950)
def test_beta_thermistor_in_a_divider(celsius: float, ohm: float, counts: float) -> None:
    """From counts to °C and back: 10 kohm at 25 °C, beta 3950 K."""
    sensor = Beta(10_000.0, 3950.0)
    assert sensor.ohm(celsius) == pytest.approx(ohm, abs=6e-4)
    assert TEN_K.reading(ohm) == pytest.approx(counts, abs=6e-3)
    assert sensor.celsius(TEN_K.ohm(counts)) == pytest.approx(celsius, abs=2e-3)


@pytest.mark.parametrize(("celsius", "ohm", "counts"), STEINHART)
def test_steinhart_hart_thermistor_in_a_divider(celsius: float, ohm: float, counts: float) -> None:
    """From counts to °C and back by the maker's three constants."""
    assert MAKER.celsius(ohm) == pytest.approx(celsius, abs=6e-5)
    assert MAKER.ohm(celsius) == pytest.approx(ohm, rel=3e-6)
    assert MAKER.celsius(TEN_K.ohm(counts)) == pytest.approx(celsius, abs=3e-3)


@given(st.sampled_from("KTJN"), st.floats(-199.0, 399.0), st.floats(-30.0, 60.0))
def test_another_library_finds_the_same(kind: str, celsius: float, junction: float) -> None:
    """thermocouple-its90 gives the same millivolts, and its approximate inverse the same °C within its published band."""
    mv = thermocouple_mv(kind, celsius) - thermocouple_mv(kind, junction)
    assert mv == pytest.approx(thermocouple_its90.get(kind).emf(celsius, junction), abs=1e-6)
    assert thermocouple_celsius(kind, mv, junction) == pytest.approx(celsius, abs=1e-6)
    assert thermocouple_celsius(kind, mv, junction) == pytest.approx(thermocouple_its90.get(kind).temperature(mv, junction), abs=0.06)


@given(st.floats(-199.0, 849.0), st.sampled_from([100.0, 1000.0]))
def test_platinum_comes_back(celsius: float, r0: float) -> None:
    """Ohm to °C undoes °C to ohm."""
    assert platinum_celsius(platinum_ohm(celsius, r0), r0) == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize("ohm", [0.0, 17.0, 391.0, 1e9, float("nan"), float("inf"), -100.0])
def test_open_or_shorted_platinum_is_no_temperature(ohm: float) -> None:
    """A broken wire must not come out as a number."""
    with pytest.raises(RawValueError, match="no temperature of a Pt100"):
        platinum_celsius(ohm)


@pytest.mark.parametrize("mv", [-10.0, 60.0, 1e9, float("nan"), float("inf")])
def test_millivolts_beyond_the_function_are_no_temperature(mv: float) -> None:
    """Open-thermocouple detection drives the input to an end of its scale."""
    with pytest.raises(RawValueError, match="no temperature of a type K"):
        thermocouple_celsius("K", mv, 25.0)


@pytest.mark.parametrize("counts", [0.0, 4095.0, 5000.0, -1.0, float("nan")])
def test_end_of_the_scale_is_an_open_or_shorted_sensor(counts: float) -> None:
    """The converter's ends say that no current flows, or all of it."""
    with pytest.raises(RawValueError, match="open or shorted"):
        TEN_K.ohm(counts)
