"""Heat conduction in a piece whose surroundings change: finite volumes, for schedules that the first-term solution cannot follow.

The piece is a slab, a long cylinder or a sphere of equal shells; heat flows between shell means, and through half a shell and the
surface coefficient to the surroundings (control-volume form of Fourier's law with a convective surface, as in heat transfer
textbooks). Explicit steps, each at most 0.4 of the longest that keeps them stable. Left out: evaporation from the surface, which
keeps a wet surface in dry air near the wet bulb, so that the true core lags behind; fat that melts; heat along the piece.
SI units, °C. Checked against `heat.py` (tests/published/test_conduction.py).
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

from rules.science.heat import Shape

_SHELLS = 12
_POWER = {"slab": 0, "cylinder": 1, "sphere": 2}


class Material(NamedTuple):
    """What conducts. `diffusivity` in m²/s, `conductivity` in W/(m K); `mark` is that of a book's row."""

    name: str
    diffusivity: float
    conductivity: float
    mark: str


_MODEL = "composition model of food's thermal properties at 30 °C, coefficients partly from memory"
#: Water, protein, fat and ash in per cent; both from the composition model.
SAUSAGE = Material(f"emulsion sausage 55/12/28/3 ({_MODEL})", 1.33e-7, 0.434, "M+")
LEAN = Material(f"lean meat 71/22/5/1 ({_MODEL})", 1.38e-7, 0.519, "M+")


class Piece:
    """A piece of one temperature throughout at first. `radius_m` is half its thickness or diameter."""

    def __init__(self, shape: Shape, radius_m: float, celsius: float, material: Material) -> None:
        if not (0.0 < radius_m < math.inf and math.isfinite(celsius)):
            raise ValueError(f"radius {radius_m!r} m, temperature {celsius!r} °C; write a radius above 0 and a finite temperature")
        self.shells = [float(celsius)] * _SHELLS
        power = _POWER[shape]
        width = radius_m / _SHELLS
        self._heat = material.conductivity / material.diffusivity
        self._half = width / 2.0 / material.conductivity
        edges = [n * width for n in range(_SHELLS + 1)]
        self._outer_area = edges[-1] ** power
        self._holds = [self._heat * (b ** (power + 1) - a ** (power + 1)) / (power + 1) for a, b in pairwise(edges)]
        self._flows = [material.conductivity * edge**power / width for edge in edges[1:-1]]
        # Near the middle T = T(0) + a r²: what the two innermost means say of T(0).
        inner = (power + 1) / (power + 3)
        second = inner * (2.0 ** (power + 3) - 1.0) / (2.0 ** (power + 1) - 1.0)
        self._reach = inner / (second - inner)

    @property
    def core_c(self) -> float:
        """Temperature in the middle."""
        return self.shells[0] + (self.shells[0] - self.shells[1]) * self._reach

    def step(self, seconds: float, surroundings_c: float, transfer_w_m2k: float) -> None:
        """Let heat flow for some seconds towards surroundings of one temperature; the coefficient is W/(m² K)."""
        outside = self._outer_area / (1.0 / transfer_w_m2k + self._half)
        flows, holds, shells = self._flows, self._holds, self.shells
        fastest = max(((flows[n - 1] if n else 0.0) + (flows[n] if n < _SHELLS - 1 else outside)) / holds[n] for n in range(_SHELLS))  # 1/s
        parts = max(1, math.ceil(seconds * fastest / 0.4))
        span = seconds / parts
        for _ in range(parts):
            inward = 0.0
            for n in range(_SHELLS - 1):
                flow = flows[n] * (shells[n + 1] - shells[n])
                shells[n] += span * (flow - inward) / holds[n]
                inward = flow
            # The outermost shell is changed last, so every flow was taken from temperatures of the beginning of the step.
            shells[-1] += span * (outside * (surroundings_c - shells[-1]) - inward) / holds[-1]
