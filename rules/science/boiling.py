"""What a thermometer should read in boiling water and in melting ice, and whether it does.

Boiling: IAPWS R7-97(2012), Industrial Formulation 1997, region 4, saturation pressure eq. 30 and saturation temperature eq. 31,
coefficients of its table 34. Range: 273.15 K to 647.096 K; here narrowed to station pressures (`humidity.PRESSURE_KPA`).
Ice: 0 °C; within about 0.01 °C for clean ice and air-saturated water (from memory, unverified). Tolerances: FDA Food Code 4-203.11,
read in state adoptions. Units: °C, kPa, m.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from rules.quantity import at_or_below
from rules.science.errors import ScienceError
from rules.science.humidity import check_pressure, pressure_at_altitude

ICE_POINT_C = 0.0

#: FDA Food Code 4-203.11: food thermometers scaled in °C, or in both, to 1 °C; in °F only to 2 °F. Not the same limit.
FOOD_CODE_C: dict[str, float] = {"C": 1.0, "F": 2.0 * 5.0 / 9.0}

Scale = Literal["C", "F"]

_N = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip


def saturation_pressure_if97(celsius: float) -> float:
    """Saturation pressure of water in kPa, 0 to 373.946 °C (eq. 30). Raises ScienceError outside."""
    kelvin = celsius + 273.15
    if not 273.15 <= kelvin <= 647.096:
        raise ScienceError(f"temperature is {celsius:g} °C; the saturation line of water runs from 0 to 373.946 °C")
    theta = kelvin + _N[8] / (kelvin - _N[9])
    a = theta * theta + _N[0] * theta + _N[1]
    b = _N[2] * theta * theta + _N[3] * theta + _N[4]
    c = _N[5] * theta * theta + _N[6] * theta + _N[7]
    return 1000.0 * math.pow(2.0 * c / (-b + math.sqrt(b * b - 4.0 * a * c)), 4.0)


def saturation_temperature(pressure_kpa: float) -> float:
    """Temperature in °C at which water boils at a pressure, 0.611213 to 22 064 kPa (eq. 31). Raises ScienceError outside."""
    if not 0.611213 <= pressure_kpa <= 22064.0:
        raise ScienceError(f"pressure is {pressure_kpa:g} kPa; the saturation line of water runs from 0.611213 to 22064 kPa")
    beta = math.pow(pressure_kpa / 1000.0, 0.25)
    e = beta * beta + _N[2] * beta + _N[5]
    f = _N[0] * beta * beta + _N[3] * beta + _N[6]
    g = _N[1] * beta * beta + _N[4] * beta + _N[7]
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    return (_N[9] + d - math.sqrt((_N[9] + d) ** 2 - 4.0 * (_N[8] + _N[9] * d))) / 2.0 - 273.15


def boiling_point(*, pressure_kpa: float | None = None, altitude_m: float | None = None) -> float:
    """Boiling point in °C at a station pressure in kPa, or at an altitude in m in the standard atmosphere where no pressure is known.

    A pressure goes before an altitude: 1 kPa of weather is 0.28 °C near the sea. With both, a pressure reduced to sea level is refused.
    Raises ScienceError with neither, OutOfRange for what no site has.
    """
    if pressure_kpa is not None:
        check_pressure(pressure_kpa, altitude_m)
        return saturation_temperature(pressure_kpa)
    if altitude_m is None:
        raise ScienceError("neither pressure nor altitude is given; a boiling-point check needs one of them")
    return saturation_temperature(pressure_at_altitude(altitude_m))


class Check(NamedTuple):
    """One calibration check: as-found error (reading minus expected; positive reads high), what was allowed, whether it was kept."""

    expected_c: float
    as_found_c: float
    error_c: float
    tolerance_c: float
    within: bool

    @property
    def offset_c(self) -> float:
        """What to add to a raw value to correct it: the error with its sign turned."""
        return -self.error_c


def tolerance(scale: Scale, site_c: float | None = None) -> float:
    """The allowed error in °C: the Food Code's for the thermometer's scale ("C" also for both), or the site's where that is narrower."""
    if scale not in FOOD_CODE_C:
        raise ScienceError(f'scale is {scale!r}; write "C" for a thermometer scaled in °C or both, "F" for one in °F only')
    if site_c is None:
        return FOOD_CODE_C[scale]
    if not 0.0 < site_c < math.inf:
        raise ScienceError(f"tolerance is {site_c!r} °C; write the error that the site allows, above 0")
    return min(FOOD_CODE_C[scale], site_c)


def check(as_found_c: float, expected_c: float, tolerance_c: float) -> Check:
    """Compare an as-found reading with what it should be; exactly the tolerance is within it, after rounding to 0.001 °C."""
    if not math.isfinite(as_found_c):
        raise ScienceError(f"as-found reading is {as_found_c!r} °C; write what the thermometer showed before any adjustment")
    error = as_found_c - expected_c
    return Check(expected_c, as_found_c, error, tolerance_c, abs(error) < at_or_below(tolerance_c))
