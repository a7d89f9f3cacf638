"""Heat conduction in a piece that is heated or cooled from outside: first-term solution of the slab, cylinder and sphere.

Centre: (T - Ta) / (T0 - Ta) = j 10**(-t/f) with f = ln 10 R**2 / (lambda**2 alpha), lambda the first root for the Biot number
Bi = h R / k. Source: the transient conduction charts' equations as in heat transfer textbooks and the refrigeration handbook's
chapter on freezing and cooling times (secondary copies; a copy that prints J0**2 - J1**2 in j is wrong, the limit
1.6015 needs the plus). Range: Bi > 0.1, and times after which (T - Ta) / (T0 - Ta) is below about 0.7; earlier the first term
alone says too much.
SI units throughout: m, s, W/(m² K), W/(m K), m²/s.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal, NamedTuple

Shape = Literal["slab", "cylinder", "sphere"]

_POINTS = 96


class FirstTerm(NamedTuple):
    """First root lambda and lag factor j of a shape at a Biot number; both without unit."""

    eigenvalue: float
    lag: float


def bessel_j(order: int, x: float) -> float:
    """Bessel function of the first kind, order 0 or 1, for 0 <= x <= 30.

    Bessel's integral, (1/pi) * integral over 0..pi of cos(n s - x sin s) ds, by the trapezoidal rule, which is exact to rounding
    for a periodic integrand with this many points.
    """
    total = 0.0
    for n in range(_POINTS):
        s = 2.0 * math.pi * (n + 0.5) / _POINTS
        total += math.cos(order * s - x * math.sin(s))
    return total / _POINTS


def first_term(shape: Shape, biot: float) -> FirstTerm:
    """First root and lag factor. Raises ValueError unless the Biot number is above 0."""
    if not 0.0 < biot < math.inf:
        raise ValueError(f"the Biot number is {biot!r}; it must be above 0")
    if shape == "slab":
        root = _root(lambda x: x * math.sin(x) - biot * math.cos(x), math.pi / 2)
        return FirstTerm(root, 4.0 * math.sin(root) / (2.0 * root + math.sin(2.0 * root)))
    if shape == "cylinder":
        root = _root(lambda x: x * bessel_j(1, x) - biot * bessel_j(0, x), 2.404825557695773)
        j0, j1 = bessel_j(0, root), bessel_j(1, root)
        return FirstTerm(root, 2.0 * j1 / (root * (j0 * j0 + j1 * j1)))
    root = _root(lambda x: x * math.cos(x) + (biot - 1.0) * math.sin(x), math.pi, low=1e-9)
    root_sign = 4.0 * (math.sin(root) - root * math.cos(root)) / (2.0 * root - math.sin(2.0 * root))
    return FirstTerm(root, root_sign)


def _root(function: Callable[[float], float], high: float, low: float = 0.0) -> float:
    """The one root between `low` and `high`, by halving."""
    rising = function(high) > 0.0
    for _ in range(200):
        middle = (low + high) / 2.0
        if middle in (low, high):
            break
        if (function(middle) > 0.0) == rising:
            high = middle
        else:
            low = middle
    return (low + high) / 2.0


def decade_time(radius: float, diffusivity: float, eigenvalue: float) -> float:
    """f: seconds in which the distance to the surroundings falls to a tenth."""
    return math.log(10.0) * radius * radius / (eigenvalue * eigenvalue * diffusivity)


def time_between(start_c: float, end_c: float, surroundings_c: float, decade_s: float) -> float:
    """Seconds from one core temperature to another, surroundings constant. Both must lie on the same side of the surroundings."""
    ratio = (start_c - surroundings_c) / (end_c - surroundings_c)
    if ratio <= 0.0:
        raise ValueError(f"from {start_c} to {end_c} °C lies the surroundings' {surroundings_c} °C, which is never passed")
    return decade_s * math.log10(ratio)
