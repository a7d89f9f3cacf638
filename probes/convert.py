"""Raw sensors: millivolts, ohms and divider counts to °C and back.

Thermocouples K, T, J and N follow the ITS-90 reference functions (NIST Monograph 175, 1993, as coded by two general libraries); °C from
millivolts is found on the same function, not by the monograph's approximate inverses, whose own error is up to 0.06 °C. Platinum
resistors follow the Callendar-Van Dusen equation with the coefficients of IEC 60751 (2008; coefficients from secondary copies).
Thermistors follow Steinhart and Hart's equation or the beta equation; their constants come from the maker's sheet.

Units: mV, ohm, °C. A value outside a sensor's range raises RawValueError, one sentence: a wire that is broken or shorted reads far away,
and must never come out as a temperature.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from probes.errors import RawValueError

_ZERO_K = 273.15
_HALVINGS = 60

#: mV of a thermocouple as polynomials in °C: (from °C, to °C, coefficients from the constant on).
_THERMOCOUPLES: Mapping[str, tuple[tuple[float, float, tuple[float, ...]], ...]] = {
    "K": (
        (-270.0, 0.0, (
            0.0, 3.9450128025e-2, 2.3622373598e-5, -3.2858906784e-7, -4.9904828777e-9, -6.7509059173e-11, -5.7410327428e-13,
            -3.1088872894e-15, -1.0451609365e-17, -1.9889266878e-20, -1.6322697486e-23,
        )),
        (0.0, 1372.0, (
            -1.7600413686e-2, 3.8921204975e-2, 1.8558770032e-5, -9.9457592874e-8, 3.1840945719e-10, -5.6072844889e-13, 5.6075059059e-16,
            -3.2020720003e-19, 9.7151147152e-23, -1.2104721275e-26,
        )),
    ),
    "T": (
        (-270.0, 0.0, (
            0.0, 3.8748106364e-2, 4.4194434347e-5, 1.1844323105e-7, 2.0032973554e-8, 9.0138019559e-10, 2.2651156593e-11,
            3.6071154205e-13, 3.8493939883e-15, 2.8213521925e-17, 1.4251594779e-19, 4.8768662286e-22, 1.0795539270e-24,
            1.3945027062e-27, 7.9795153927e-31,
        )),
        (0.0, 400.0, (
            0.0, 3.8748106364e-2, 3.3292227880e-5, 2.0618243404e-7, -2.1882256846e-9, 1.0996880928e-11, -3.0815758772e-14,
            4.5479135290e-17, -2.7512901673e-20,
        )),
    ),
    "J": (
        (-210.0, 760.0, (
            0.0, 5.0381187815e-2, 3.0475836930e-5, -8.5681065720e-8, 1.3228195295e-10, -1.7052958337e-13, 2.0948090697e-16,
            -1.2538395336e-19, 1.5631725697e-23,
        )),
        (760.0, 1200.0, (
            296.45625681, -1.4976127786, 3.1787103924e-3, -3.1847686701e-6, 1.5720819004e-9, -3.0691369056e-13,
        )),
    ),
    "N": (
        (-270.0, 0.0, (
            0.0, 2.6159105962e-2, 1.0957484228e-5, -9.3841111554e-8, -4.6412039759e-11, -2.6303357716e-12, -2.2653438003e-14,
            -7.6089300791e-17, -9.3419667835e-20,
        )),
        (0.0, 1300.0, (
            0.0, 2.5929394601e-2, 1.5710141880e-5, 4.3825627237e-8, -2.5261169794e-10, 6.4311819339e-13, -1.0063471519e-15,
            9.9745338992e-19, -6.0863245607e-22, 2.0849229339e-25, -3.0682196151e-29,
        )),
    ),
}  # fmt: skip
#: The further term of type K above 0 °C: a0 exp(a1 (t - a2)²), mV.
_K_TERM = (0.1185976, -1.183432e-4, 126.9686)
#: Below this no thermocouple here is taken: its function is so flat that a microvolt is a degree, and no food is that cold.
_COLDEST_TC_C = -210.0

#: IEC 60751 (2008): R = R0 (1 + A t + B t²), and below 0 °C + R0 C (t - 100) t³.
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12
_PT_C = (-200.0, 850.0)


def thermocouple_mv(kind: str, celsius: float) -> float:
    """mV of a thermocouple of `kind` "K", "T", "J" or "N" with its reference junction at 0 °C. Raises RawValueError outside its range."""
    pieces = _pieces(kind)
    low, high = _COLDEST_TC_C, pieces[-1][1]
    if not low <= celsius <= high:
        raise RawValueError(f"{celsius:g} °C is outside what a type {kind} thermocouple is taken for, {low:g} to {high:g} °C")
    return _mv(kind, celsius)


def thermocouple_celsius(kind: str, millivolts: float, cold_junction_c: float = 0.0) -> float:
    """°C of the hot junction from the mV measured and the °C of the cold junction (the terminals).

    The cold junction's mV are added, never its degrees: the function is not a straight line. Raises RawValueError.
    """
    pieces = _pieces(kind)
    total = millivolts + thermocouple_mv(kind, cold_junction_c)
    low, high = _COLDEST_TC_C, pieces[-1][1]
    if not _mv(kind, low) <= total <= _mv(kind, high):
        raise RawValueError(
            f"{millivolts:g} mV with the terminals at {cold_junction_c:g} °C is no temperature of a type {kind} thermocouple"
        )
    return _invert(lambda celsius: _mv(kind, celsius), total, low, high)


def platinum_ohm(celsius: float, r0: float = 100.0) -> float:
    """Ohm of a platinum resistor with `r0` ohm at 0 °C (100 for Pt100). Raises RawValueError outside -200 to 850 °C."""
    if not _PT_C[0] <= celsius <= _PT_C[1]:
        raise RawValueError(f"{celsius:g} °C is outside what IEC 60751 gives for platinum, {_PT_C[0]:g} to {_PT_C[1]:g} °C")
    return _ohm(celsius, r0)


def platinum_celsius(ohm: float, r0: float = 100.0) -> float:
    """°C of a platinum resistor. Raises RawValueError, as for an open or shorted wire."""
    if not _ohm(_PT_C[0], r0) <= ohm <= _ohm(_PT_C[1], r0):
        raise RawValueError(f"{ohm:g} ohm is no temperature of a Pt{r0:g}")
    if ohm >= r0:
        return (-_A + math.sqrt(_A * _A - 4.0 * _B * (1.0 - ohm / r0))) / (2.0 * _B)
    return _invert(lambda celsius: _ohm(celsius, r0), ohm, _PT_C[0], 0.0)


@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """1/T = a + b ln R + c (ln R)³, T in K, R in ohm; the constants are the maker's."""

    a: float
    b: float
    c: float

    def celsius(self, ohm: float) -> float:
        """°C at `ohm`. Raises RawValueError."""
        log = _log_ohm(ohm)
        return _warmth(self.a + self.b * log + self.c * log**3, ohm)

    def ohm(self, celsius: float) -> float:
        """Ohm at `celsius`; the exact inverse."""
        x = (self.a - 1.0 / (celsius + _ZERO_K)) / self.c
        y = math.sqrt((self.b / (3.0 * self.c)) ** 3 + x * x / 4.0)
        return math.exp(math.cbrt(y - x / 2.0) - math.cbrt(y + x / 2.0))


@dataclass(frozen=True, slots=True)
class Beta:
    """R = r25 exp(beta (1/T - 1/298.15 K)); the maker's two constants, good over some tens of degrees only."""

    r25: float
    beta: float

    def celsius(self, ohm: float) -> float:
        """°C at `ohm`. Raises RawValueError."""
        return _warmth(1.0 / (25.0 + _ZERO_K) + (_log_ohm(ohm) - math.log(self.r25)) / self.beta, ohm)

    def ohm(self, celsius: float) -> float:
        """Ohm at `celsius`; the exact inverse."""
        return self.r25 * math.exp(self.beta * (1.0 / (celsius + _ZERO_K) - 1.0 / (25.0 + _ZERO_K)))


@dataclass(frozen=True, slots=True)
class Divider:
    """A sensor in series with a fixed resistor of `fixed` ohm, the voltage between them read as a part of `full` (counts or volts).

    `sensor_below`: the sensor lies between the reading point and ground, otherwise between the supply and the point.
    """

    fixed: float
    full: float
    sensor_below: bool = True

    def ohm(self, reading: float) -> float:
        """Ohm of the sensor. Raises RawValueError at either end of the scale: open or shorted."""
        if not 0.0 < reading < self.full:
            raise RawValueError(f"{reading:g} of {self.full:g} is an end of the scale: the sensor is open or shorted")
        below = self.fixed * reading / (self.full - reading)
        return below if self.sensor_below else self.fixed * self.fixed / below

    def reading(self, ohm: float) -> float:
        """What is read at `ohm`; the exact inverse."""
        below, above = (ohm, self.fixed) if self.sensor_below else (self.fixed, ohm)
        return self.full * below / (below + above)


def _pieces(kind: str) -> tuple[tuple[float, float, tuple[float, ...]], ...]:
    if kind not in _THERMOCOUPLES:
        raise RawValueError(f"thermocouple type is {kind!r}; there are {', '.join(_THERMOCOUPLES)}")
    return _THERMOCOUPLES[kind]


def _mv(kind: str, celsius: float) -> float:
    pieces = _THERMOCOUPLES[kind]
    coefficients = next(c for _, to, c in pieces if celsius <= to)
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * celsius + coefficient
    if kind == "K" and celsius > 0.0:
        a0, a1, a2 = _K_TERM
        total += a0 * math.exp(a1 * (celsius - a2) ** 2)
    return total


def _ohm(celsius: float, r0: float) -> float:
    ratio = 1.0 + _A * celsius + _B * celsius * celsius
    return r0 * (ratio + _C * (celsius - 100.0) * celsius**3 if celsius < 0.0 else ratio)


def _invert(function: Callable[[float], float], value: float, low: float, high: float) -> float:
    """Where a rising function takes a value, by halving: slower than the approximations and exact to rounding."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        if function(middle) < value:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def _log_ohm(ohm: float) -> float:
    if not 0.0 < ohm < math.inf:
        raise RawValueError(f"{ohm:g} ohm is no resistance of a thermistor: it is open or shorted")
    return math.log(ohm)


def _warmth(per_kelvin: float, ohm: float) -> float:
    celsius = 1.0 / per_kelvin - _ZERO_K if per_kelvin > 0.0 else math.inf
    if not -100.0 <= celsius <= 300.0:
        raise RawValueError(f"{ohm:g} ohm is no temperature of this thermistor: it is open, shorted, or its constants are not these")
    return celsius
