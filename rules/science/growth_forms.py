"""The equations of the published growth models: rate in the model's own unit from its parameters, °C and conditions of the meat.

Each is called between the model's zeros Tmin and Tmax only. Sources: square-root, Ratkowsky et al. 1982, J. Bacteriol. 149:1-5, and
1983, J. Bacteriol. 154:1222-1226 (with an upper end, and its variant with one power of the bracket); cardinal, Rosso et al. 1993,
J. Theor. Biol. 162:447-463; polynomial and gamma as in the papers of the models that use them (`growth_models.toml`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

Parameters = Mapping[str, float]


class Conditions(NamedTuple):
    """What some models need to know of the meat; None where it was not measured. `nitrite_ppm` is the residual in the product."""

    ph: float | None = None
    aw: float | None = None
    nitrite_ppm: float | None = None


#: What a condition is called in a sentence.
NEEDS = {"ph": "pH", "aw": "water activity", "nitrite_ppm": "residual nitrite in ppm"}


def square_root(p: Parameters, t: float, _known: Conditions) -> float:
    """(b (T - Tmin))²."""
    return (p["b"] * (t - p["Tmin"])) ** 2


def square_root_above(p: Parameters, t: float, _known: Conditions) -> float:
    """A (T - Tmin)² (1 - exp(c (T - Tmax)))."""
    return -p["A"] * (t - p["Tmin"]) ** 2 * math.expm1(p["c"] * (t - p["Tmax"]))


def ratkowsky(p: Parameters, t: float, _known: Conditions) -> float:
    """(b (T - Tmin) (1 - exp(c (T - Tmax))))²."""
    return (p["b"] * (t - p["Tmin"]) * math.expm1(p["c"] * (t - p["Tmax"]))) ** 2


def cardinal(p: Parameters, t: float, _known: Conditions) -> float:
    """The cardinal temperature model with inflection: 0 at Tmin and Tmax, mu_opt at Topt."""
    low, best, high = p["Tmin"], p["Topt"], p["Tmax"]
    under = (best - low) * ((best - low) * (t - best) - (best - high) * (best + low - 2.0 * t))
    return p["mu_opt"] * (t - high) * (t - low) ** 2 / under


def polynomial(p: Parameters, t: float, known: Conditions) -> float:
    """exp of a quadratic in T, pH and b = sqrt(1 - aw)."""
    assert known.ph is not None
    assert known.aw is not None
    ph, b = known.ph, math.sqrt(1.0 - known.aw)
    return math.exp(
        p["k"] + p["T"] * t + p["pH"] * ph + p["b"] * b + p["TpH"] * t * ph + p["TT"] * t * t + p["pHpH"] * ph * ph + p["bb"] * b * b
    )


def gamma(p: Parameters, t: float, known: Conditions) -> float:
    """A reference rate times one factor between 0 and 1 each for temperature, water activity, pH and nitrite."""
    assert known.ph is not None
    assert known.aw is not None
    assert known.nitrite_ppm is not None
    warmth = ((t - p["Tmin"]) / (p["Tref"] - p["Tmin"])) ** 2
    acid = 1.0 - math.pow(10.0, 4.97 - known.ph)
    return p["mu_ref"] * warmth * (known.aw - 0.923) / 0.077 * acid * ((350.0 - known.nitrite_ppm) / 350.0) ** 2


FORMS: Mapping[str, Callable[[Parameters, float, Conditions], float]] = {
    "square-root": square_root,
    "square-root-above": square_root_above,
    "ratkowsky": ratkowsky,
    "cardinal": cardinal,
    "polynomial": polynomial,
    "gamma": gamma,
}
