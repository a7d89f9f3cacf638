"""Where a core is heading, as a faint line after its last reading: the approach to its surroundings that the forecast speaks of."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from monitor.charts.curve import Curve, Point
from rules.quantity import parse_instant

#: What is to come takes no more of the picture than this share of what was, so that the curves stay readable.
MOST = 0.5
_POINTS = 24


def ahead_of(curve: Curve, forecasts: Iterable[Mapping[str, Any]]) -> list[Point]:
    """The points from the curve's last reading towards the earliest mark that its probe is expected to reach.

    `forecasts` as `monitor.lot_views` gives them: `probe, to_c, air_c, expected`. Newton's law of cooling through the last reading and
    the mark; empty where there is no forecast, the mark lies behind, or the surroundings lie on the wrong side of it.
    """
    mine = [one for one in forecasts if one["probe"] == curve.name and one["expected"] is not None]
    if curve.last is None or not mine:
        return []
    one = min(mine, key=lambda found: parse_instant(found["expected"]))
    expected, air = parse_instant(one["expected"]), float(one["air_c"])
    begins, now = curve.last.at, curve.last.celsius
    if expected <= begins or air == now or not 0 < (one["to_c"] - air) / (now - air) < 1:
        return []
    rate = math.log((now - air) / (one["to_c"] - air)) / (expected - begins)
    ends = min(expected, begins + round(MOST * (begins - curve.begins)))
    step = (ends - begins) / _POINTS
    return [Point(begins + round(n * step), air + (now - air) * math.exp(-rate * n * step)) for n in range(_POINTS + 1)]
