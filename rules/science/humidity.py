"""Moist air: pressure at an altitude, saturation pressure, relative humidity from dry and wet bulb, dew point.

Source: ASHRAE Handbook, Fundamentals (2017), chapter 1: pressure at altitude eq. 3, saturation pressure over water eq. 6
(Hyland and Wexler 1983), humidity ratio eq. 20, from the wet bulb eq. 33; the same equations that PsychroLib 2.5 codes.
Units: °C, kPa, m; relative humidity in per cent. Range: 0 to 200 °C, wet bulb above the ice; a psychrometer in a smokehouse lies
outside the 5 to 50 °C for which ASTM E337 describes the method, so check the wick and calibrate both bulbs together.
Errors: OutOfRange or ScienceError, one sentence.
"""

from __future__ import annotations

import math

from rules.quantity import fahrenheit, to_fahrenheit
from rules.reading import Span
from rules.science.errors import OutOfRange, ScienceError

STANDARD_PRESSURE_KPA = 101.325
#: Lowest and highest site altitude in m for which the standard atmosphere's equation is taken; ASHRAE states -5000 to 11 000.
ALTITUDE_M = (-500.0, 6000.0)
#: Station pressures that occur where people make sausage: the altitudes above, with weather.
PRESSURE_KPA = (45.0, 112.0)
#: Dry bulb above which 90 % relative humidity is called impossible (FSIS-GD-2021-14, 14 December 2021, p. 43): 212 °F.
NO_HIGH_HUMIDITY_ABOVE_C = fahrenheit(212.0)
#: Wet bulb this near to the dry one while heating: a dry wick reads like saturated air (common practice, no source).
DRY_WICK_C = 0.2

_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 6.5459673)
_RATIO = 0.621945  # molar mass of water over that of dry air
_RANGE_C = (0.0, 200.0)


def pressure_at_altitude(altitude_m: float) -> float:
    """Standard pressure in kPa at an altitude in m; weather moves it by several kPa. Raises OutOfRange (`ALTITUDE_M`)."""
    if not ALTITUDE_M[0] <= altitude_m <= ALTITUDE_M[1]:
        raise OutOfRange(
            f"altitude is {altitude_m:g} m; write the site's height above the sea between {ALTITUDE_M[0]:g} and {ALTITUDE_M[1]:g} m"
        )
    return STANDARD_PRESSURE_KPA * math.pow(1.0 - 2.25577e-5 * altitude_m, 5.2559)


def check_pressure(pressure_kpa: float, altitude_m: float | None = None) -> None:
    """Refuse a pressure in another unit, or one reduced to sea level where the site's altitude is known.

    Weather reports give the sea-level pressure; water boils at the station's. Raises OutOfRange where it is outside `PRESSURE_KPA` or
    more than 7 kPa from the standard one at that altitude, more than weather does (common practice, no source).
    """
    if not PRESSURE_KPA[0] <= pressure_kpa <= PRESSURE_KPA[1]:
        low, high = PRESSURE_KPA
        raise OutOfRange(
            f"pressure is {pressure_kpa:g} kPa; write the station pressure in kPa between {low:g} and {high:g} (1013 hPa is 101.3)"
        )
    if altitude_m is not None and abs(pressure_kpa - (usual := pressure_at_altitude(altitude_m))) > 7.0:
        raise OutOfRange(
            f"pressure is {pressure_kpa:g} kPa at {altitude_m:g} m, where {usual:.1f} kPa is usual; "
            "write the station pressure, not the one reduced to sea level"
        )


def saturation_pressure(celsius: float) -> float:
    """Saturation pressure of water over liquid in kPa, 0 to 200 °C. Raises OutOfRange."""
    if not _RANGE_C[0] <= celsius <= _RANGE_C[1]:
        raise OutOfRange(f"temperature is {celsius:g} °C; the saturation pressure over water holds for 0 to 200 °C")
    t = celsius + 273.15
    c8, c9, c10, c11, c12, c13 = _WATER
    return math.exp(c8 / t + c9 + t * (c10 + t * (c11 + t * c12)) + c13 * math.log(t)) / 1000.0


def vapour_pressure(dry_c: float, wet_c: float, pressure_kpa: float = STANDARD_PRESSURE_KPA) -> float:
    """Partial pressure of water vapour in kPa from dry and wet bulb. Raises ScienceError or OutOfRange for bulbs that cannot be."""
    check_pressure(pressure_kpa)
    if wet_c > dry_c:
        raise ScienceError(
            f"wet bulb is {wet_c:g} °C and dry bulb {dry_c:g} °C; a wet bulb is never the warmer one, so check which is which"
        )
    saturated = saturation_pressure(wet_c)
    if dry_c > _RANGE_C[1]:
        raise OutOfRange(f"dry bulb is {dry_c:g} °C; the equations hold up to 200 °C")
    if saturated >= pressure_kpa:
        raise OutOfRange(f"wet bulb is {wet_c:g} °C, at or above the boiling point at {pressure_kpa:g} kPa; check that its wick is wet")
    at_wet = _RATIO * saturated / (pressure_kpa - saturated)
    ratio = ((2501.0 - 2.326 * wet_c) * at_wet - 1.006 * (dry_c - wet_c)) / (2501.0 + 1.86 * dry_c - 4.186 * wet_c)
    if ratio <= 0.0:
        raise OutOfRange(f"wet bulb is {wet_c:g} °C at a dry bulb of {dry_c:g} °C, drier than air without water; check both bulbs")
    return pressure_kpa * ratio / (_RATIO + ratio)


def relative_humidity(dry_c: float, wet_c: float, pressure_kpa: float = STANDARD_PRESSURE_KPA) -> float:
    """Relative humidity in per cent from dry and wet bulb in °C and the station pressure in kPa. Errors as `vapour_pressure`."""
    return 100.0 * vapour_pressure(dry_c, wet_c, pressure_kpa) / saturation_pressure(dry_c)


def least_relative_humidity(
    dry_c: float, wet_c: float, dry_u_c: float, wet_u_c: float, pressure_kpa: float = STANDARD_PRESSURE_KPA
) -> float:
    """Relative humidity in per cent with both bulbs' uncertainties in °C against the lot: the dry bulb warmer, the wet one cooler.

    The station pressure barely matters (at 70 and 60 °C, 0.4 % of humidity from 101 to 84 kPa). 0 where the bulbs allow dry air.
    """
    vapour_pressure(dry_c, wet_c, pressure_kpa)
    try:
        return relative_humidity(dry_c + dry_u_c, wet_c - wet_u_c, pressure_kpa)
    except OutOfRange:
        return 0.0


def dew_point(dry_c: float, humidity_pct: float) -> float:
    """Dew point in °C of air at a dry bulb in °C and a relative humidity in per cent. Raises OutOfRange below 0 °C (frost)."""
    if not 0.0 < humidity_pct <= 100.0:
        raise OutOfRange(f"relative humidity is {humidity_pct:g} %; write a value above 0 and up to 100")
    wanted = saturation_pressure(dry_c) * humidity_pct / 100.0
    if wanted < saturation_pressure(0.0):
        raise OutOfRange(f"the dew point of {dry_c:g} °C at {humidity_pct:g} % is below 0 °C; these equations hold over water only")
    low, high = 0.0, dry_c
    while high - low > 1e-9:
        middle = (low + high) / 2.0
        low, high = (middle, high) if saturation_pressure(middle) < wanted else (low, middle)
    return (low + high) / 2.0


def greatest_humidity(dry_c: float, pressure_kpa: float = STANDARD_PRESSURE_KPA) -> float:
    """The highest relative humidity in per cent that can be at a dry bulb: 100, and above the boiling point pressure over saturation."""
    check_pressure(pressure_kpa)
    return min(100.0, 100.0 * pressure_kpa / saturation_pressure(dry_c))


def high_humidity_impossible(dry_c: float) -> str:
    """Why 90 % cannot be shown at this dry bulb, in one sentence; empty where it can.

    FSIS-GD-2021-14, p. 43, draws the line at 212 °F. Physics draws it a little higher (about 217 °F at sea level, `greatest_humidity`) and
    lower at an altitude; the guideline's figure is the one told.
    """
    if dry_c <= NO_HIGH_HUMIDITY_ABOVE_C:
        return ""
    return (
        f"90 % relative humidity is impossible above 212 °F (100 °C) dry bulb, and this is {to_fahrenheit(dry_c):.1f} °F ({dry_c:.1f} °C)"
    )


def wick_doubt(dry_c: float, wet_c: float) -> str:
    """Why the wet bulb may be dry, in one sentence; empty where there is no doubt. Ask only while the chamber heats."""
    if dry_c - wet_c >= DRY_WICK_C:
        return ""
    return f"the wet bulb reads {dry_c - wet_c:.1f} °C below the dry one; check that its wick is wet, since a dry one reads as 100 %"


def humid_time_needed(cook: Span, share: float, at_least: Span) -> Span:
    """Time at the asked humidity that a cook of this length needs: the longer of a share of it and a fixed time.

    FSIS-GD-2021-14, p. 26: options 1 and 2 half the cook, option 3 a quarter, at least one hour each. Microseconds; rounded up.
    """
    if not 0.0 <= share <= 1.0:
        raise ScienceError(f"share is {share!r}; write a part of the cook between 0 and 1")
    return max(math.ceil(round(cook * share, 3)), at_least)
