"""Thermal death as a straight line: lethal rate, F value, log reduction, and the D and z behind a table of hold times.

L(T) = 10**((T - Tref) / z), F = integral of L dt, log reduction = F / D(Tref), t2 = t1 * 10**((T1 - T2) / z).
Source: the general method as in food engineering textbooks; ACMSF, March 2007 (equivalent times, z = 6 °C); FSIS-GD-2021-14
(14 December 2021) pp. 67-72 for what it may be used for: to judge a missed endpoint with a process authority, valid only where the
surface stayed moist; it never turns a missed row of a table into a met one.
Units: °C (z is a difference), seconds; curves carry microseconds. Range: that of the D and z that are given, which the caller knows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from rules.reading import SECOND, Span
from rules.science.curve import Curve, Interval, intervals
from rules.science.errors import ScienceError

#: How a stretch between two samples is taken. "lower" is the one to judge by.
Between = Literal["lower", "exponential", "trapezoid"]

#: Recook without support: predicted growth of vegetative pathogens up to which no more than the target is asked
#: (FSIS-GD-2021-14, pp. 70-72), log10.
VEGETATIVE_GROWTH_LOG = 1.0
#: Predicted growth of S. aureus from which its enterotoxin is to be tested for (FSIS-GD-2021-14, pp. 70-72; elsewhere it names 2), log10.
TOXIN_GROWTH_LOG = 3.0

_LN10 = math.log(10.0)
_MOST_DECADES = 300.0


def lethal_rate(celsius: float, reference_c: float, z_c: float) -> float:
    """L: seconds at the reference temperature that one second at `celsius` is worth. Raises ScienceError unless z is above 0."""
    _above_zero("z value", z_c, "°C")
    decades = (celsius - reference_c) / z_c
    if not abs(decades) <= _MOST_DECADES:
        raise ScienceError(
            f"temperature is {celsius!r} °C with the reference {reference_c!r} °C; write °C within {_MOST_DECADES:g} z of it"
        )
    return math.pow(10.0, decades)


def equivalent_time(seconds: float, at_c: float, other_c: float, z_c: float) -> float:
    """Seconds at `other_c` that do as much as `seconds` at `at_c`. Raises ScienceError as `lethal_rate`, or for a time below 0."""
    if not 0.0 <= seconds < math.inf:
        raise ScienceError(f"time is {seconds!r} s; write a time of 0 s or more")
    return seconds * lethal_rate(at_c, other_c, z_c)


def d_value(celsius: float, d_s: float, reference_c: float, z_c: float) -> float:
    """D at another temperature: seconds for one log10, from D at the reference. Raises ScienceError unless D and z are above 0."""
    _above_zero("D value", d_s, "s")
    return d_s / lethal_rate(celsius, reference_c, z_c)


def time_for(logs: float, celsius: float, d_s: float, reference_c: float, z_c: float) -> float:
    """Seconds at a constant temperature for so many log10; 0 for a target already passed."""
    return max(logs, 0.0) * d_value(celsius, d_s, reference_c, z_c)


def log_reduction(f_s: float, d_s: float) -> float:
    """log10 of what an F value does, D being that of the same reference. Raises ScienceError unless D is above 0."""
    _above_zero("D value", d_s, "s")
    return f_s / d_s


def f_value(
    curve: Curve,
    reference_c: float,
    z_c: float,
    *,
    between: Between = "lower",
    floor_c: float = -math.inf,
    max_gap: Span | None = None,
) -> float:
    """F in seconds at the reference temperature over a sampled curve; nothing below `floor_c`, nothing from a gap longer than `max_gap`.

    "lower" takes each interval at the lower of its two ends, so that nothing is earned that was not measured at both. "exponential" is
    exact where the temperature runs straight from one sample to the next: dt (L2 - L1) / ln(L2 / L1). "trapezoid" is for comparison
    with printed sums: L is convex, so it overstates, at x = ln 10 dT / z by the factor (x / 2) coth(x / 2).
    """
    rule = {"lower": _lower, "exponential": _exponential, "trapezoid": _trapezoid}[between]
    return math.fsum(rule(i, reference_c, z_c, floor_c) for i in intervals(curve) if max_gap is None or i.length <= max_gap)


def _lower(i: Interval, reference_c: float, z_c: float, floor_c: float) -> float:
    low = min(i.first_c, i.last_c)
    return i.length / SECOND * lethal_rate(low, reference_c, z_c) if low >= floor_c else 0.0


def _trapezoid(i: Interval, reference_c: float, z_c: float, floor_c: float) -> float:
    ends = [lethal_rate(c, reference_c, z_c) if c >= floor_c else 0.0 for c in (i.first_c, i.last_c)]
    return i.length / SECOND * sum(ends) / 2.0


def _exponential(i: Interval, reference_c: float, z_c: float, floor_c: float) -> float:
    low, high = sorted((i.first_c, i.last_c))
    if high < floor_c:
        return 0.0
    seconds = i.length / SECOND
    if low < floor_c:
        seconds *= (high - floor_c) / (high - low)
        low = floor_c
    x = _LN10 * (high - low) / z_c
    mean = math.expm1(x) / x if x > 1e-9 else 1.0 + x / 2.0
    return seconds * lethal_rate(low, reference_c, z_c) * mean


def summed_rates(rates: Sequence[float], interval_s: float) -> float:
    """F in seconds by the trapezoidal rule from lethal rates at even intervals, as hand calculations print it; overstates (`f_value`)."""
    return interval_s * (math.fsum(rates) - (rates[0] + rates[-1]) / 2.0) if len(rates) > 1 else 0.0


class Fit(NamedTuple):
    """The straight line of log10 time over temperature behind a table of hold times.

    `d_s` is the D at `reference_c`; `ratios` are (°C, printed time over the line's time), so 1.10 is a row 10 % longer than the line.
    """

    reference_c: float
    d_s: float
    z_c: float
    r_squared: float
    ratios: tuple[tuple[float, float], ...]

    def seconds(self, celsius: float, logs: float) -> float:
        """The line's hold time at a temperature, for so many log10."""
        return time_for(logs, celsius, self.d_s, self.reference_c, self.z_c)


def fit_hold_table(rows: Iterable[tuple[float, float]], logs: float, reference_c: float) -> Fit:
    """D and z that a table of hold times `(°C, s)` for `logs` log10 implies, by least squares of log10 time over temperature.

    Rows of 0 s are an administrative cut-off and are left out. Raises ScienceError where fewer than three rows remain, or where the
    times do not fall with temperature. A poor `r_squared` or a bend in `ratios` says that the table is no straight line, as the poultry
    tables of FSIS-GD-2021-14 are not: make no single D of such a table.
    """
    _above_zero("log reduction of the table", logs, "log10")
    points = [(celsius, math.log10(seconds)) for celsius, seconds in rows if seconds > 0.0]
    if len(points) < 3:
        raise ScienceError(f"the table has {len(points)} rows with a time above 0 s; a fit needs at least three")
    mean_c = math.fsum(c for c, _ in points) / len(points)
    mean_y = math.fsum(y for _, y in points) / len(points)
    across = math.fsum((c - mean_c) ** 2 for c, _ in points)
    slope = math.fsum((c - mean_c) * (y - mean_y) for c, y in points) / across if across else 0.0
    if not slope < 0.0:
        raise ScienceError("the times of the table do not fall as the temperature rises; a fit needs hold times for one log reduction")
    left = [y - mean_y - slope * (c - mean_c) for c, y in points]
    spread = math.fsum((y - mean_y) ** 2 for _, y in points)
    return Fit(
        reference_c,
        math.pow(10.0, mean_y + slope * (reference_c - mean_c)) / logs,
        -1.0 / slope,
        1.0 - math.fsum(r * r for r in left) / spread,
        tuple((c, math.pow(10.0, r)) for (c, _), r in zip(points, left, strict=True)),
    )


def recook_target(target_log: float, growths_log: Iterable[float]) -> float:
    """Log reduction that a recook must give: the target raised by the largest predicted growth of a vegetative pathogen.

    FSIS-GD-2021-14, p. 71. Growth up to 1 log10 (`VEGETATIVE_GROWTH_LOG`) raises nothing. It says nothing about S. aureus: its toxin
    survives every recook (pp. 70-72), so its growth is judged apart.
    """
    growths = list(growths_log)
    if bad := [g for g in growths if not 0.0 <= g < math.inf]:
        raise ScienceError(f"predicted growth is {bad[0]!r} log10; write 0 or more")
    largest = max(growths, default=0.0)
    return target_log + (largest if largest > VEGETATIVE_GROWTH_LOG else 0.0)


def _above_zero(what: str, value: float, unit: str) -> None:
    if not 0.0 < value < math.inf:
        raise ScienceError(f"{what} is {value!r} {unit}; it must be above 0")
