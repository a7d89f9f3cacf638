"""A lot's temperatures against its limits, as one picture for the page and the PDF.

Nothing is told by colour alone: every curve has a letter and a dash pattern, every limit a sentence and a fence of
strokes on its forbidden side, gaps a bar of their own below the plot. Relative humidity has a
scale of its own on the right. The order of colours is that of Okabe and Ito, "Color Universal Design" (2008), darkened for thin lines.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import tzinfo
from typing import NamedTuple

from monitor.charts.curve import Curve, Point
from monitor.charts.drawing import Box, Drawing, Label, Mark, Path, svg, text_width
from rules.quantity import format_span, local, to_fahrenheit
from rules.reading import HOUR, MINUTE, Instant

INK, SOFT, RULE, PAPER, BAND = "#22201c", "#5d5850", "#d9d3c7", "#fffdf8", "#f1ece1"
FENCE = "#7a1f1f"
COLOURS = ("#0b4f8a", "#a8450f", "#1d6b52", "#77427f", "#6b5a00", "#225f7c")
DASHES: tuple[tuple[float, ...], ...] = ((), (7, 3), (2, 2), (9, 2, 2, 2), (4, 4), (12, 3, 2, 3))
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


class LimitLine(NamedTuple):
    """A temperature, or `percent` of relative humidity, not to be passed: `side` "most" (at most) or "least"; None: the chart's ends."""

    text: str
    celsius: float
    side: str
    begins: Instant | None = None
    ends: Instant | None = None
    percent: bool = False


class CoolingBox(NamedTuple):
    """A cooling window: the curve must leave through the floor, `to_c`, before the right edge, `ends`."""

    text: str
    begins: Instant
    ends: Instant
    from_c: float
    to_c: float


class StepBand(NamedTuple):
    """A step of the lot; where two overlap the lot straddles and both are shown."""

    name: str
    begins: Instant
    ends: Instant


class Moment(NamedTuple):
    """An instant worth a sign, such as a deviation: a cross on the time axis and a line in the key."""

    text: str
    at: Instant


def temperature(celsius: float, unit: str, digits: int = 1) -> str:
    """A temperature as the site reads it: "145 °F", "62.8 °C"."""
    value = round(to_fahrenheit(celsius) if unit == "F" else celsius, digits)
    text = f"{value:.{digits}f}".removesuffix(".0") if digits == 1 else f"{value:.{digits}f}"
    return f"{'0' if text == '-0' else text} °{unit}"


def lot_chart_svg(
    series: Sequence[Curve],
    limits: Sequence[LimitLine | CoolingBox],
    marks: Sequence[StepBand | Moment],
    zone: tzinfo,
    unit: str,
    width: float = 360,
    height: float = 300,
    *,
    title: str = "Temperatures against their limits",
) -> str:
    """The chart as SVG text. At the default width it reads well on a phone 360 px wide."""
    return svg(lot_drawing(series, limits, marks, zone, unit, width, height, title=title))


def lot_drawing(
    series: Sequence[Curve],
    limits: Sequence[LimitLine | CoolingBox],
    marks: Sequence[StepBand | Moment],
    zone: tzinfo,
    unit: str,
    width: float = 360,
    height: float = 300,
    *,
    title: str = "Temperatures against their limits",
    ahead: Mapping[str, Sequence[Point]] = {},
) -> Drawing:
    """The chart as shapes; its height grows by what the key needs. Curves share the time of the first.

    `ahead`: by curve, the points where it is heading; the picture then reaches as far.
    """
    steps = [m for m in marks if isinstance(m, StepBand)]
    moments = [m for m in marks if isinstance(m, Moment)]
    begins, ends = (series[0].begins, series[0].ends) if series else _ends(steps)
    ends = max([ends, *(points[-1].at for points in ahead.values() if points)])
    key = _key_entries(series, limits, steps, moments, zone)
    if any(ahead.values()):
        key.append(_Entry("ahead", 0, "expected, not measured"))
    rows = _wrap(key, width - 12)
    lanes = [c for c in series if c.gaps]
    drawing = Drawing(width, 0, title, describe(series, limits, zone, unit))
    plot = _Plot(
        left=36, right=width - (38 if any(c.percent for c in series) else 16),
        top=8 + 15 * _rows_of(steps), bottom=height - 30, begins=begins, ends=ends,
        scale=lambda c: to_fahrenheit(c) if unit == "F" else c, values=_extent(series, limits, unit),
    )  # fmt: skip
    axis = plot.bottom + 6 * len(lanes)
    drawing.height = axis + 34 + 14 * len(rows) + 4
    drawing.add(Box(0, 0, width, drawing.height, fill=PAPER))
    _steps(drawing, plot, steps)
    _grid(drawing, plot, zone, unit, axis)
    if any(c.percent for c in series):
        _percents(drawing, plot)
    for box in (x for x in limits if isinstance(x, CoolingBox)):
        _box(drawing, plot, box)
    for line in (x for x in limits if isinstance(x, LimitLine)):
        _limit(drawing, plot, line)
    for i, curve in enumerate(series):
        _curve(drawing, plot, curve, i)
        if ahead.get(curve.name):
            drawing.add(Path([(plot.x(p.at), plot.y(p.celsius)) for p in ahead[curve.name]], COLOURS[i % len(COLOURS)], 1.1, (2, 3)))
    _letters(drawing, plot, series)
    _labels(drawing, plot, limits)
    for n, curve in enumerate(lanes):
        _lane(drawing, plot, curve, LETTERS[list(series).index(curve) % 26], plot.bottom + 1 + 6 * n)
    for moment in moments:
        drawing.add(Mark(plot.x(moment.at), axis, "cross", FENCE, 4))
    _key(drawing, rows, axis + 34)
    return drawing


class _Plot:
    """From instants and °C to the picture's points."""

    def __init__(
        self, *, left: float, right: float, top: float, bottom: float, begins: Instant, ends: Instant,
        scale: Callable[[float], float], values: tuple[float, float],
    ) -> None:  # fmt: skip
        self.left, self.right, self.top, self.bottom = left, right, top, bottom
        self.begins, self.ends, self.scale = begins, max(ends, begins + 1), scale
        self.low, self.high = values

    def x(self, at: Instant) -> float:
        share = (min(max(at, self.begins), self.ends) - self.begins) / (self.ends - self.begins)
        return self.left + share * (self.right - self.left)

    def y(self, celsius: float) -> float:
        return self.y_of(self.scale(celsius))

    def height(self, value: float, percent: bool) -> float:
        return self.bottom - value / 100 * (self.bottom - self.top) if percent else self.y(value)

    def y_of(self, value: float) -> float:
        return self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top)


def describe(series: Sequence[Curve], limits: Sequence[LimitLine | CoolingBox], zone: tzinfo, unit: str) -> str:
    """The chart in sentences, for whoever cannot see it."""
    said = []
    for i, curve in enumerate(series):
        if curve.least is None or curve.greatest is None:
            said.append(f"{LETTERS[i % 26]}, {curve.name}: no reading.")
            continue
        low, high = curve.least, curve.greatest
        text = (
            f"{LETTERS[i % 26]}, {curve.name}: {curve.count} readings, lowest {_value(curve, low.celsius, unit)} at "
            f"{local(low.at, zone):%d %b %H:%M}, highest {_value(curve, high.celsius, unit)} at {local(high.at, zone):%d %b %H:%M}"
        )
        if curve.gaps:
            longest = max(g.ends - g.begins for g in curve.gaps)
            text += f", {len(curve.gaps)} {'gap' if len(curve.gaps) == 1 else 'gaps'}, the longest {format_span(longest)}"
        if curve.suspects:
            text += f", {curve.suspects} suspect"
        if curve.late_count:
            text += f", {curve.late_count} late"
        said.append(text + ".")
    said.extend(f"Limit: {limit.text}." for limit in limits)
    return " ".join(said)


def _value(curve: Curve, value: float, unit: str) -> str:
    return f"{value:.0f} % relative humidity" if curve.percent else temperature(value, unit)


def _ends(steps: Sequence[StepBand]) -> tuple[Instant, Instant]:
    return (min(s.begins for s in steps), max(s.ends for s in steps)) if steps else (0, HOUR)


def _extent(series: Sequence[Curve], limits: Sequence[LimitLine | CoolingBox], unit: str) -> tuple[float, float]:
    """The least and greatest value of the scale, in the site's unit, with room at both ends."""
    values = [p.celsius for c in series if not c.percent for p in (c.least, c.greatest) if p is not None]
    values += [p.celsius for c in series if not c.percent for p in c.suspect_points]
    for limit in (x for x in limits if isinstance(x, CoolingBox) or not x.percent):
        values += [limit.celsius] if isinstance(limit, LimitLine) else [limit.from_c, limit.to_c]
    shown = [to_fahrenheit(v) if unit == "F" else v for v in values] or [0.0, 10.0]
    low, high = min(shown), max(shown)
    room = max((high - low) * 0.07, 2.0)
    return low - room, high + room


def _rows_of(steps: Sequence[StepBand]) -> int:
    return max((row for _, row in _stack(steps)), default=-1) + 1


def _stack(steps: Sequence[StepBand]) -> list[tuple[StepBand, int]]:
    """Each step with the first row in which it overlaps no other."""
    placed: list[tuple[StepBand, int]] = []
    for step in steps:
        row = 0
        while any(r == row and s.begins < step.ends and step.begins < s.ends for s, r in placed):
            row += 1
        placed.append((step, row))
    return placed


def _steps(drawing: Drawing, plot: _Plot, steps: Sequence[StepBand]) -> None:
    for i, (step, row) in enumerate(_stack(steps)):
        left, right = plot.x(step.begins), plot.x(step.ends)
        y = plot.top - 15 * (_rows_of(steps) - row)
        if i % 2 == 0:
            drawing.add(Box(left, plot.top, right - left, plot.bottom - plot.top, fill=BAND))
        drawing.add(Box(left, y, max(right - left, 0.8), 13, fill=BAND if i % 2 == 0 else PAPER, colour=SOFT, line=0.6))
        for text in (f"{i + 1} {step.name}", str(i + 1)):
            if text_width(text, 9) <= right - left - 2:
                drawing.add(Label((left + right) / 2, y + 9.5, text, 9, "middle", SOFT))
                break


def _grid(drawing: Drawing, plot: _Plot, zone: tzinfo, unit: str, axis: float) -> None:
    for value in _nice(plot.low, plot.high, max(3, int((plot.bottom - plot.top) / 36))):
        y = plot.y_of(value)
        drawing.add(Path([(plot.left, y), (plot.right, y)], RULE, 0.6), Label(plot.left - 4, y + 3.5, f"{value:g}", 10, "end", SOFT))
    drawing.add(Label(2, plot.top + 9, f"°{unit}", 10, "start", SOFT))
    drawing.add(Path([(plot.left, axis), (plot.right, axis)], INK, 0.9))
    reach = plot.left - 20
    for n, (at, clock, day) in enumerate(time_ticks(plot.begins, plot.ends, zone, max(2, int((plot.right - plot.left) / 46)))):
        x = plot.x(at)
        drawing.add(Path([(x, axis), (x, axis + 3)], INK, 0.9), Label(x, axis + 13, clock, 10, "middle", SOFT))
        if day and (n == 0 or x - text_width(day, 10) / 2 > reach):
            drawing.add(Label(x, axis + 25, day, 10, "middle", SOFT))
            reach = x + text_width(day, 10) / 2 + 6


def time_ticks(begins: Instant, ends: Instant, zone: tzinfo, most: int) -> list[tuple[Instant, str, str]]:
    """(instant, "14:00", "2 Mar" at the first of each local day else "") at round local times, no more than about `most`."""
    minutes = next((m for m in (5, 10, 15, 30, 60, 120, 180, 240, 360, 720) if (ends - begins) / (m * MINUTE) <= most), 1440)
    days = max(1, -(-(ends - begins) // (1440 * MINUTE * most)))
    pace = min(minutes, 15) * MINUTE  # Offsets of time zones in use are whole quarters of an hour.
    ticks: list[tuple[Instant, str, str]] = []
    at, told = begins - begins % pace, ""
    while at <= ends:
        moment = local(at, zone)
        due = (moment.hour * 60 + moment.minute) % minutes == 0 and (minutes < 1440 or moment.toordinal() % days == 0)
        if at >= begins and due:
            day = f"{moment.day} {moment:%b}"
            ticks.append((at, f"{moment:%H:%M}", "" if day == told else day))
            told = day
        at += pace
    return ticks


def _nice(low: float, high: float, most: int) -> list[float]:
    step = next(s for s in (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000, 10**6) if (high - low) / s <= most)
    first = int(low // step) * step
    return [float(v) for v in range(first, int(high) + step, step) if low <= v <= high]


def _percents(drawing: Drawing, plot: _Plot) -> None:
    """The scale of relative humidity, on the right: its curves and limits go by it, from 0 % at the bottom to 100 % at the top."""
    for value in (0, 25, 50, 75, 100):
        y = plot.height(value, percent=True)
        text = "% RH" if value == 100 else str(value)
        drawing.add(Path([(plot.right, y), (plot.right + 3, y)], SOFT, 0.8), Label(plot.right + 37, y + 3.5, text, 9, "end", SOFT))
    drawing.add(Path([(plot.right, plot.top), (plot.right, plot.bottom)], SOFT, 0.6))


def _limit(drawing: Drawing, plot: _Plot, limit: LimitLine) -> None:
    left = plot.x(plot.begins if limit.begins is None else limit.begins)
    right = max(plot.x(plot.ends if limit.ends is None else limit.ends), left + 2)
    y = plot.height(limit.celsius, limit.percent)
    drawing.add(Path([(left, y), (right, y)], FENCE, 1.3))
    lean = -4 if limit.side == "most" else 4
    x = left + 2
    while x < right - 2:
        drawing.add(Path([(x, y), (x + 3, y + lean)], FENCE, 0.7))
        x += 7


def _box(drawing: Drawing, plot: _Plot, box: CoolingBox) -> None:
    left, right, top, floor = plot.x(box.begins), plot.x(box.ends), plot.y(box.from_c), plot.y(box.to_c)
    drawing.add(Box(left, top, right - left, floor - top, colour=FENCE, line=0.8, dash=(3, 2)))
    drawing.add(Path([(right, top), (right, floor)], FENCE, 2.2))
    y = top + 3
    while y < floor - 2:
        drawing.add(Path([(right, y), (right + 4, y - 3)], FENCE, 0.7))
        y += 7


def _curve(drawing: Drawing, plot: _Plot, curve: Curve, index: int) -> None:
    colour, dash = COLOURS[index % len(COLOURS)], DASHES[index % len(DASHES)]
    for points in curve.lines:
        path = [(plot.x(p.at), plot.height(p.celsius, curve.percent)) for p in points]
        if len(path) == 1:
            path = [(path[0][0] - 1, path[0][1]), (path[0][0] + 1, path[0][1])]
        drawing.add(Path(path, colour, 1.6, dash))
    pieces = curve.lines
    for end in [p[-1] for p in pieces[:-1]] + [p[0] for p in pieces[1:]]:
        x, y = plot.x(end.at), plot.height(end.celsius, curve.percent)
        drawing.add(Path([(x, y - 4), (x, y + 4)], colour, 1.2))
    for point in curve.suspect_points:
        drawing.add(Mark(plot.x(point.at), plot.height(point.celsius, curve.percent), "diamond", colour))
    for point in curve.late_points:
        drawing.add(Mark(plot.x(point.at), plot.height(point.celsius, curve.percent), "ring", colour, 2.6))


def _letters(drawing: Drawing, plot: _Plot, series: Sequence[Curve]) -> None:
    """Each curve's letter at its end, moved up where two would lie on each other."""
    ends = [(plot.height(c.last.celsius, c.percent) + 3.5, plot.x(c.last.at) + 3, i) for i, c in enumerate(series) if c.last is not None]
    taken: list[tuple[float, float]] = []
    for low, x, i in sorted(ends, reverse=True):
        y = low
        while any(abs(x - tx) < 9 and abs(y - ty) < 9 for tx, ty in taken):
            y -= 9
        taken.append((x, y))
        drawing.add(Label(x, y, LETTERS[i % 26], 10, "start", COLOURS[i % len(COLOURS)], bold=True))


def _labels(drawing: Drawing, plot: _Plot, limits: Sequence[LimitLine | CoolingBox]) -> None:
    """Each limit's short words beside its line, moved so that no two lie on each other; the key has them in full."""
    taken: list[tuple[float, float, float]] = []
    for i, limit in enumerate(limits):
        text = f"L{i + 1}"
        x = plot.x(limit.ends if limit.ends is not None else plot.ends) - 3
        if isinstance(limit, CoolingBox):
            y = plot.y(limit.to_c) - 4
        else:
            y = plot.height(limit.celsius, limit.percent) + (11 if limit.side == "most" else -4)
        while any(abs(y - ty) < 10 and x - 16 < tx2 and tx1 < x for tx1, tx2, ty in taken):
            x -= 18
        x = max(x, plot.left + 16)
        taken.append((x - 16, x, y))
        drawing.add(Box(x - 14, y - 8.5, 15, 10.5, fill=PAPER), Label(x, y, text, 9.5, "end", FENCE, bold=True))


def _lane(drawing: Drawing, plot: _Plot, curve: Curve, letter: str, y: float) -> None:
    drawing.add(Label(plot.left - 4, y + 5, letter, 7, "end", SOFT))
    for gap in curve.gaps:
        left, right = plot.x(gap.begins), plot.x(gap.ends)
        drawing.add(Box(left, y, max(right - left, 1.0), 4, fill=INK))


class _Entry(NamedTuple):
    """One item of the key: a sample to draw and its words."""

    sample: str
    number: int
    text: str


def _key_entries(
    series: Sequence[Curve], limits: Sequence[LimitLine | CoolingBox], steps: Sequence[StepBand], moments: Sequence[Moment],
    zone: tzinfo,
) -> list[_Entry]:  # fmt: skip
    entries = [_Entry("curve", i, f"{LETTERS[i % 26]} {c.name}") for i, c in enumerate(series)]
    if any(c.gaps for c in series):
        entries.append(_Entry("bar", 0, "nothing measured"))
    if any(c.suspects for c in series):
        entries.append(_Entry("diamond", 0, "suspect, not judged"))
    if any(c.late_count for c in series):
        entries.append(_Entry("ring", 0, "arrived late"))
    entries += [_Entry("", 0, f"L{i + 1} {limit.text}") for i, limit in enumerate(limits)]
    entries += [_Entry("cross", 0, f"{m.text} {local(m.at, zone):%H:%M}") for m in moments]
    if steps:
        entries.append(_Entry("", 0, "Steps: " + ", ".join(f"{i + 1} {s.name}" for i, s in enumerate(steps))))
    return entries


def _wrap(entries: Iterable[_Entry], width: float) -> list[list[tuple[float, _Entry]]]:
    """The key's entries laid out in rows; an entry too wide for a row is broken at its spaces."""
    rows: list[list[tuple[float, _Entry]]] = [[]]
    x = 0.0
    for entry in entries:
        room = 26 if entry.sample else 0
        need = room + text_width(entry.text, 10) + 12
        if x and x + need > width:
            rows.append([])
            x = 0.0
        rest = entry
        while room + text_width(rest.text, 10) > width:
            most = max(1, int((width - room) / text_width("x", 10)))
            cut = rest.text.rfind(" ", 0, most)
            cut = most if cut <= 0 else cut
            rows[-1].append((0.0, _Entry(rest.sample, rest.number, rest.text[:cut])))
            rows.append([])
            rest, room, x = _Entry("", 0, rest.text[cut:].strip()), 0, 0.0
        rows[-1].append((x, rest))
        x += room + text_width(rest.text, 10) + 12
    return [row for row in rows if row]


def _key(drawing: Drawing, rows: Sequence[Sequence[tuple[float, _Entry]]], top: float) -> None:
    for n, row in enumerate(rows):
        base = top + 14 * n + 10
        for offset, entry in row:
            x = 6 + offset
            if entry.sample == "curve":
                drawing.add(Path([(x, base - 3.5), (x + 21, base - 3.5)], COLOURS[entry.number % 6], 1.8, DASHES[entry.number % 6]))
            elif entry.sample == "ahead":
                drawing.add(Path([(x, base - 3.5), (x + 21, base - 3.5)], INK, 1.1, (2, 3)))
            elif entry.sample == "bar":
                drawing.add(Box(x, base - 6, 21, 4, fill=INK))
            elif entry.sample:
                drawing.add(Mark(x + 10, base - 3.5, entry.sample, FENCE if entry.sample == "cross" else INK))
            drawing.add(Label(x + (26 if entry.sample else 0), base, entry.text, 10, "start", INK))
