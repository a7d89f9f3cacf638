"""One probe's readings thinned for a chart: bounded in number, keeping every column's least and greatest."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from rules.reading import MINUTE, Instant, Span


class Point(NamedTuple):
    """A temperature to draw, °C with its calibration offset."""

    at: Instant
    celsius: float


class Gap(NamedTuple):
    """A stretch longer than the monitoring frequency in which nothing was measured."""

    begins: Instant
    ends: Instant


class Curve:
    """Takes one probe's readings in rising time and keeps at most a few points per column.

    Of each of `columns` equal parts of the time from `begins` to `ends` the first, least, greatest and last
    good reading stay, so no peak is lost. The line breaks where readings are more than `max_gap` apart.
    Suspect and late readings are kept apart, a few a column. Memory does not grow with the readings.
    `percent`: the values are per cent of relative humidity, where °C is written.
    """

    def __init__(
        self, name: str, begins: Instant, ends: Instant, *, max_gap: Span = 30 * MINUTE, columns: int = 240, percent: bool = False,
    ) -> None:  # fmt: skip
        self.name = name
        self.percent = percent
        self.begins = begins
        self.ends = max(ends, begins + 1)
        self.max_gap = max_gap
        self.columns = columns
        self.count = 0
        self.suspects = 0
        self.late_count = 0
        self.least: Point | None = None
        self.greatest: Point | None = None
        self.gaps: list[Gap] = []
        self._lifted = False
        self._lines: list[list[Point]] = []
        self._column = -1
        self._held: list[Point] = []
        self._last: Point | None = None
        self._suspect: dict[int, tuple[Point, Point]] = {}
        self._late: dict[int, Point] = {}

    def add(self, at: Instant, celsius: float, *, suspect: bool = False, late: bool = False) -> None:
        """Take one reading; those outside begins..ends are left out."""
        if not self.begins <= at <= self.ends:
            return
        point = Point(at, celsius)
        column = self._column_of(at)
        if suspect:
            self.suspects += 1
            low, high = self._suspect.get(column, (point, point))
            self._suspect[column] = (min(low, point, key=_celsius), max(high, point, key=_celsius))
            return
        if late:
            self.late_count += 1
            self._late.setdefault(column, point)
        self.count += 1
        if self.least is None or celsius < self.least.celsius:
            self.least = point
        if self.greatest is None or celsius > self.greatest.celsius:
            self.greatest = point
        self._draw(point, column)

    def extend(self, points: Iterable[Point]) -> Curve:
        """Take several good readings."""
        for point in points:
            self.add(point.at, point.celsius)
        return self

    @property
    def lines(self) -> list[list[Point]]:
        """The unbroken stretches, each in rising time."""
        tail = _spread(self._held)
        if not self._lines:
            return [tail] if tail else []
        return [*self._lines[:-1], self._lines[-1] + tail]

    @property
    def suspect_points(self) -> list[Point]:
        """The least and greatest suspect reading of each column."""
        return sorted({p for pair in self._suspect.values() for p in pair})

    @property
    def late_points(self) -> list[Point]:
        """One late reading of each column that has any."""
        return sorted(self._late.values())

    def lift(self) -> None:
        """Begin a new piece with the next reading, without calling the time between a gap."""
        self._lifted = True

    @property
    def last(self) -> Point | None:
        """The newest good reading."""
        return self._last

    def _column_of(self, at: Instant) -> int:
        return min(self.columns - 1, (at - self.begins) * self.columns // (self.ends - self.begins))

    def _draw(self, point: Point, column: int) -> None:
        before = self._last
        if before is not None and point.at < before.at:
            raise ValueError(f"probe {self.name!r}: readings must rise in time")
        apart = before is not None and (self._lifted or point.at - before.at > self.max_gap)
        if before is not None and apart and not self._lifted:
            self.gaps.append(Gap(before.at, point.at))
        if before is None or column != self._column:
            # A gap that falls within one column cannot be seen and would let the number of pieces grow without bound.
            self._flush()
            if before is None or apart:
                self._lines.append([])
            self._column = column
        self._lifted = False
        self._held.append(point)
        if len(self._held) > 64:
            self._held = _spread(self._held)
        self._last = point

    def _flush(self) -> None:
        if self._held:
            self._lines[-1].extend(_spread(self._held))
        self._held = []


def _celsius(point: Point) -> float:
    return point.celsius


def _spread(points: list[Point]) -> list[Point]:
    """First, least, greatest and last, in rising time."""
    if len(points) <= 4:
        return list(points)
    keep = {points[0], min(points, key=_celsius), max(points, key=_celsius), points[-1]}
    return sorted(keep)
