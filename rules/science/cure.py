"""Curing: ingoing nitrite and its helpers in parts per million of the green weight, and brine concentration.

Ingoing ppm = mass of nitrite x 1 000 000 / green weight of the meat block (not of the finished product). Source of the arithmetic:
FSIS Processing Inspectors' Calculations Handbook (1995), read in quotations. The limits are tables of the kind composition in the books
(9 CFR 424.21(c), 424.22(b)). Masses may be in any unit as long as both are in the same one; percentages are percentages, fractions
are fractions (6.25 % curing salt is 0.0625). Nitrite is toxic in excess: weigh it.
"""

from __future__ import annotations

import math

from rules.science.errors import ScienceError

#: Molar masses of NaNO2 and KNO2 in g/mol.
NA_NITRITE, K_NITRITE = 68.995, 85.103
OUNCES_PER_POUND = 16.0


def comminuted_ppm(nitrite: float, green_weight: float) -> float:
    """Ingoing ppm of nitrite mixed into a meat block, or rubbed onto it; both masses in one unit. Raises ScienceError."""
    _mass("nitrite", nitrite, zero=True)
    _mass("green weight", green_weight)
    if nitrite > green_weight:
        raise ScienceError(
            f"nitrite is {nitrite:g} and the green weight {green_weight:g}; give both in one unit, the nitrite being the smaller"
        )
    return nitrite * 1e6 / green_weight


def curing_salt_ppm(curing_salt: float, nitrite_fraction: float, green_weight: float) -> float:
    """Ingoing ppm from a curing salt with its part of nitrite: 0.0625 for 6.25 %. Raises ScienceError, also for 6.25."""
    return comminuted_ppm(
        _mass("curing salt", curing_salt, zero=True) * _fraction("nitrite of the curing salt", nitrite_fraction), green_weight
    )


def dry_cure_ppm(cure: float, nitrite_fraction: float, green_weight: float) -> float:
    """Ingoing ppm of a dry cure applied to the green weight, all of it taken as going in. The same arithmetic as a curing salt's."""
    return curing_salt_ppm(cure, nitrite_fraction, green_weight)


def pumped_ppm(nitrite: float, pump_fraction: float, pickle: float) -> float:
    """Ingoing ppm of a pumped piece: nitrite in the pickle x pump x 1 000 000 / mass of the whole pickle.

    `pump_fraction` is pickle taken up over green weight (0.10 for a 10 % pump). Raises ScienceError, also for 10.
    """
    return comminuted_ppm(nitrite, pickle) * _fraction("pump", pump_fraction)


def ounces_per_hundred_pounds(ounces: float) -> float:
    """ppm of so many ounces to 100 lb, the regulation's own unit: 1/4 oz is 156.25 ppm."""
    return comminuted_ppm(ounces, 100.0 * OUNCES_PER_POUND)


def as_potassium_nitrite(sodium_nitrite_ppm: float) -> float:
    """ppm of KNO2 with as much nitrite as so many ppm of NaNO2: 120 is 148."""
    return sodium_nitrite_ppm * K_NITRITE / NA_NITRITE


def as_sodium_nitrite(potassium_nitrite_ppm: float) -> float:
    """ppm of NaNO2 with as much nitrite as so many ppm of KNO2."""
    return potassium_nitrite_ppm * NA_NITRITE / K_NITRITE


def brine_pct(salt_pct: float, moisture_pct: float) -> float:
    """Brine concentration in per cent: salt x 100 / (salt + water), both in per cent of the product. Raises ScienceError."""
    _percent("salt", salt_pct)
    if not 0.0 < moisture_pct <= 100.0 - salt_pct:
        raise ScienceError(
            f"moisture is {moisture_pct:g} % with {salt_pct:g} % salt; write per cent of the product, above 0 and at most 100 together"
        )
    return 100.0 * salt_pct / (salt_pct + moisture_pct)


def salt_for_brine(wanted_pct: float, moisture_pct: float) -> float:
    """Salt in per cent of the product that makes a brine concentration at a moisture. Raises ScienceError."""
    if not 0.0 <= wanted_pct < 100.0:
        raise ScienceError(f"brine concentration is {wanted_pct:g} %; write a value from 0 to below 100")
    _percent("moisture", moisture_pct)
    return wanted_pct * moisture_pct / (100.0 - wanted_pct)


def _mass(what: str, value: float, *, zero: bool = False) -> float:
    if not math.isfinite(value) or value < 0.0 or (value == 0.0 and not zero):
        raise ScienceError(f"{what} is {value!r}; write {'0 or more' if zero else 'a weight above 0'}")
    return value


def _fraction(what: str, value: float) -> float:
    if not 0.0 < value <= 1.0:
        raise ScienceError(f"{what} is {value!r}; write it as a part of 1, so 6.25 % is 0.0625 and 10 % is 0.10")
    return value


def _percent(what: str, value: float) -> None:
    if not 0.0 <= value <= 100.0:
        raise ScienceError(f"{what} is {value!r} %; write per cent of the product between 0 and 100")
