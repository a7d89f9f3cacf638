"""Bodies and places of the simulator: links as conducting cylinders, a batch of ground meat, a smokehouse, a cooler, rooms, baths.

SI units, °C, seconds. Conductivities and diffusivities are measured ones (see the constants); heat transfer coefficients,
heater and compressor figures are invented to be plausible. Nothing here reads a clock or draws random numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, field

#: Frankfurter 55/12/28/3 at 30 °C: diffusivity in m²/s, conductivity in W/(m K). Composition model, coefficients partly from memory.
FRANKFURTER = (1.33e-7, 0.434)
#: Lean meat 71/22/5/1 at 30 °C, which stands for turkey. Same source.
LEAN = (1.38e-7, 0.519)

_SHELLS = 12


class Link:
    """A long link: an infinite cylinder of equal shells, stepped by backward Euler, which no step length makes unstable."""

    def __init__(self, diameter_m: float, celsius: float, properties: tuple[float, float] = FRANKFURTER) -> None:
        self.radius_m = diameter_m / 2.0
        self.diffusivity, self.conductivity = properties
        self.shells = [celsius] * _SHELLS
        self._made_for = (0.0, 0.0)
        self._lower: list[float] = []
        self._upper: list[float] = []
        self._divisor: list[float] = []
        self._outside = 0.0

    @property
    def core_c(self) -> float:
        """Temperature on the axis, from the two innermost shells and the symmetry there."""
        return self.shells[0] + (self.shells[0] - self.shells[1]) / 8.0

    def step(self, seconds: float, surroundings_c: float, transfer_w_m2k: float) -> None:
        """Let heat flow for some seconds towards surroundings of one temperature."""
        if (seconds, transfer_w_m2k) != self._made_for:
            self._make(seconds, transfer_w_m2k)
        shells, lower, upper, divisor = self.shells, self._lower, self._upper, self._divisor
        shells[-1] += self._outside * surroundings_c
        last = shells[0] = shells[0] / divisor[0]
        for n in range(1, _SHELLS):
            last = shells[n] = (shells[n] - lower[n] * last) / divisor[n]
        for n in range(_SHELLS - 2, -1, -1):
            last = shells[n] = shells[n] - upper[n] * last

    def _make(self, seconds: float, transfer_w_m2k: float) -> None:
        """The tridiagonal equations for this step length and coefficient, already eliminated downwards (Thomas)."""
        width = self.radius_m / _SHELLS
        conductivity, heat = self.conductivity, self.conductivity / self.diffusivity
        lower, upper, diagonal = [0.0] * _SHELLS, [0.0] * _SHELLS, [1.0] * _SHELLS
        for n in range(_SHELLS):
            inner, outer = n * width, (n + 1) * width
            holds = heat * (outer**2 - inner**2) / 2.0  # per radian and metre of length
            if n:
                lower[n] = -seconds * conductivity * inner / width / holds
            if n < _SHELLS - 1:
                upper[n] = -seconds * conductivity * outer / width / holds
                diagonal[n] -= lower[n] + upper[n]
            else:
                resistance = 1.0 / transfer_w_m2k + width / 2.0 / conductivity
                self._outside = seconds * outer / resistance / holds
                diagonal[n] += self._outside - lower[n]
        divisor = [diagonal[0]]
        upper[0] /= divisor[0]
        for n in range(1, _SHELLS):
            divisor.append(diagonal[n] - lower[n] * upper[n - 1])
            upper[n] /= divisor[n]
        self._lower, self._upper, self._divisor, self._made_for = lower, upper, divisor, (seconds, transfer_w_m2k)


class Batch:
    """Ground meat in a tub or spread on trays: one temperature throughout, which approaches its surroundings with a time constant.

    `grinding_c_s` is what the grinder's work adds, in °C per second, while it runs.
    """

    def __init__(self, celsius: float, time_constant_s: float = 4 * 3600.0) -> None:
        self.core_c = celsius
        self.time_constant_s = time_constant_s
        self.grinding_c_s = 0.0

    def step(self, seconds: float, surroundings_c: float, transfer_w_m2k: float) -> None:
        """Let heat flow for some seconds; the coefficient is part of the time constant already."""
        share = seconds / (self.time_constant_s + seconds)
        self.core_c += share * (surroundings_c - self.core_c) + self.grinding_c_s * seconds


@dataclass
class Room:
    """A work room or counter whose air swings a little about its temperature. `transfer` is W/(m² K) to a link that lies there."""

    celsius: float
    transfer: float = 8.0

    def step(self, seconds: float) -> None:
        """A room keeps its temperature."""


@dataclass
class Bath:
    """Water, or ice water at 0 °C, stirred; it does not warm, since the tap runs or the ice is plenty."""

    celsius: float
    transfer: float = 300.0

    def step(self, seconds: float) -> None:
        """A bath keeps its temperature."""


@dataclass
class Chamber:
    """A smokehouse: a heater that a thermostat switches, walls that lose heat to the room, and a schedule of stages.

    `stages` are (set point in °C, seconds); the last one stays on until `off()`. With no stage it cools to the room.
    """

    celsius: float = 20.0
    room_c: float = 20.0
    transfer: float = 20.0
    time_constant_s: float = 1500.0
    heater_c: float = 130.0
    hysteresis_c: float = 1.5
    stages: list[tuple[float, float]] = field(default_factory=list)
    heating: bool = False
    in_stage_s: float = 0.0

    @property
    def set_c(self) -> float | None:
        """The present set point; None while it is off."""
        return self.stages[0][0] if self.stages else None

    def off(self) -> None:
        """Put the fire out."""
        self.stages, self.heating = [], False

    def step(self, seconds: float) -> None:
        """Heat or not, as the thermostat says, and move on through the stages."""
        target = self.set_c
        if target is None:
            self.heating = False
        else:
            if self.celsius < target - self.hysteresis_c:
                self.heating = True
            elif self.celsius > target + self.hysteresis_c:
                self.heating = False
            self.in_stage_s += seconds
            if len(self.stages) > 1 and self.in_stage_s >= self.stages[0][1]:
                self.stages, self.in_stage_s = self.stages[1:], 0.0
        towards = self.room_c + (self.heater_c if self.heating else 0.0)
        self.celsius += (towards - self.celsius) * seconds / (self.time_constant_s + seconds)


@dataclass
class Cooler:
    """A walk-in cooler: a compressor that cycles between two temperatures, doors that let the room in, a defrost that stops it."""

    celsius: float = 2.0
    room_c: float = 18.0
    transfer: float = 12.0
    low_c: float = 1.0
    high_c: float = 3.0
    leak_s: float = 9000.0
    door_s: float = 700.0
    cold_s: float = 1200.0
    running: bool = False
    door_open: bool = False
    defrosting: bool = False

    def step(self, seconds: float) -> None:
        """Leak, cool if the compressor runs, warm fast if the door is open."""
        if self.celsius > self.high_c:
            self.running = True
        elif self.celsius < self.low_c:
            self.running = False
        self.celsius += (self.room_c - self.celsius) * seconds / (self.leak_s + seconds)
        if self.door_open:
            self.celsius += (self.room_c - self.celsius) * seconds / (self.door_s + seconds)
        if self.running and not self.defrosting:
            self.celsius += (-8.0 - self.celsius) * seconds / (self.cold_s + seconds)


Body = Link | Batch
Place = Room | Bath | Chamber | Cooler
