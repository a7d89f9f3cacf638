"""Degree-hours of a fermentation: (chamber temperature - base) summed in hours while above the base, until the pH is reached.

The limits name the base (60 °F, 15.6 °C) and the pH (5.3), and which of them is used follows from the highest chamber temperature
seen. Sources and marks of the limits stand in the books (us trade practice, Canada), not here. Units: °C h, 1 °C h = 1.8 °F h; a
degree-hour is a difference times a time, so no 32. Range: any.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rules.limits.spec import Band
from rules.quantity import at_or_above, at_or_below, parse_temperature
from rules.reading import HOUR, Span
from rules.science.curve import Curve, intervals
from rules.science.errors import ScienceError

_TEXT = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*°\s*([CF])\s*h\s*$")


def parse_degree_hours(text: str) -> float:
    """°C h of a limit with its unit: "665 °C h", "1200 °F h"."""
    match = _TEXT.match(text)
    if match is None:
        raise ScienceError(f'degree-hours are {text!r}; write a number with its unit, such as "1200 °F h" or "665 °C h"')
    return float(match[1]) * (5.0 / 9.0 if match[2] == "F" else 1.0)


def bands(rows: Iterable[Mapping[str, Any]]) -> tuple[Band, ...]:
    """The bands of a book's degree-hours table, from the values of its rows."""
    found = []
    for row in rows:
        ends = [parse_temperature(row[key]) if key in row else None for key in ("chamber_from", "chamber_to")]
        found.append(Band(ends[0], ends[1], parse_degree_hours(row["limit"])))
    return tuple(found)


def degree_hours(curve: Curve, base_c: float, max_gap: Span | None = None) -> float:
    """°C h above the base over a sampled chamber curve, each interval at its warmer end, so that nothing is missed between samples.

    With `max_gap`, intervals longer than it are left out: the certain sum. What the sum without it has more is possible only.
    """
    counted = (i for i in intervals(curve) if max_gap is None or i.length <= max_gap)
    return math.fsum(max(max(i.first_c, i.last_c) - base_c, 0.0) * i.length / HOUR for i in counted)


def _from(band: Band) -> float:
    """From which temperature on a row is for it."""
    if band.from_c is None:
        return -math.inf
    return at_or_above(band.from_c) if band.to_c is not None else at_or_below(band.from_c)


def _below(band: Band) -> float:
    """Below which temperature a row is for it."""
    if band.to_c is None:
        return math.inf
    return at_or_below(band.to_c) if band.from_c is not None else at_or_above(band.to_c)


def edges(limits: Sequence[Band]) -> tuple[float, ...]:
    """The temperatures at which another row may come into force, rising."""
    return tuple(sorted({end for band in limits for end in (_from(band), _below(band)) if math.isfinite(end)}))


def band_or_none(limits: Sequence[Band], highest_c: float) -> Band | None:
    """The row for the highest chamber temperature seen, compared after rounding to 0.001 °C; None where none fits."""
    return next((band for band in limits if _from(band) <= highest_c < _below(band)), None)


def band_for(limits: Sequence[Band], highest_c: float) -> Band:
    """The row for the highest chamber temperature seen. Raises ScienceError where none fits."""
    band = band_or_none(limits, highest_c)
    if band is None:
        raise ScienceError(f"the highest chamber temperature is {highest_c:g} °C, for which the table has no row; take another table")
    return band


def hours_allowed(limit: float, base_c: float, chamber_c: float) -> float:
    """Hours until the limit in °C h at a constant chamber temperature; infinite at or below the base."""
    return limit / (chamber_c - base_c) if chamber_c > base_c else math.inf
