"""A sampled temperature curve: `(instant, °C)` in rising time. Two samples of one instant are a step.

Only what was sampled is known. Each function that reads a curve says how it takes the stretch between two samples.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple, TypeAlias

from rules.quantity import at_or_above, format_instant
from rules.reading import Instant, Span
from rules.science.errors import ScienceError

Curve: TypeAlias = Sequence[tuple[Instant, float]]


class Interval(NamedTuple):
    """The stretch between two successive samples: when it begins, how long it is (never 0), °C at both ends."""

    at: Instant
    length: Span
    first_c: float
    last_c: float


def intervals(curve: Curve) -> Iterator[Interval]:
    """The stretches of a curve that have a length, in order. Raises ScienceError for a sample that is no number or goes back in time."""
    before: tuple[Instant, float] | None = None
    for at, celsius in curve:
        if not math.isfinite(celsius):
            raise ScienceError(f"temperature is {celsius!r} at {format_instant(at)}; leave out what was not measured")
        if before is not None:
            if at < before[0]:
                raise ScienceError(
                    f"time is {format_instant(at)} after {format_instant(before[0])}; put the samples of a curve in rising order"
                )
            if at > before[0]:
                yield Interval(before[0], at - before[0], before[1], celsius)
        before = at, celsius


def highest(curve: Curve) -> float:
    """The highest temperature of a curve in °C. Raises ScienceError for a curve of no samples."""
    return max(_values(curve))


def lowest(curve: Curve) -> float:
    """The lowest temperature of a curve in °C. Raises ScienceError for a curve of no samples."""
    return min(_values(curve))


def _values(curve: Curve) -> list[float]:
    if not curve:
        raise ScienceError("the curve has 0 samples; give at least one")
    return [celsius for _, celsius in curve]


def longest_interval(curve: Curve) -> Span:
    """The longest stretch between two samples; 0 where there are none."""
    return max((i.length for i in intervals(curve)), default=0)


def time_at_or_above(curve: Curve, at_c: float, max_gap: Span | None = None) -> Span:
    """Summed time with both ends of the interval at or above a temperature, intervals longer than `max_gap` left out.

    The sum is what the person who evaluates a missed endpoint asks for (FSIS-GD-2021-14, 14 December 2021, pp. 67-68); it is no hold.
    """
    bound = at_or_above(at_c)
    return sum(i.length for i in intervals(curve) if i.first_c >= bound and i.last_c >= bound and (max_gap is None or i.length <= max_gap))
