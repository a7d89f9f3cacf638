"""A picture as a few plain shapes, so that the page's SVG and the PDF draw the very same chart.

Lengths are points of the picture's own width and height; y grows downwards. Colours are "#rrggbb".
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, TypeAlias
from xml.sax.saxutils import escape, quoteattr

#: Letters are about this wide, as a share of their height, in the sans-serif faces that page and PDF use.
LETTER = 0.56


class Path(NamedTuple):
    """An open line through `points`; `dash` alternates drawn and empty lengths, empty: solid."""

    points: Sequence[tuple[float, float]]
    colour: str
    width: float = 1.0
    dash: tuple[float, ...] = ()


class Box(NamedTuple):
    """A rectangle; `fill` or `colour` (its outline) may be empty for none."""

    x: float
    y: float
    width: float
    height: float
    fill: str = ""
    colour: str = ""
    line: float = 1.0
    dash: tuple[float, ...] = ()


class Mark(NamedTuple):
    """A small sign at a point: `shape` is "diamond", "ring" or "cross", `size` its half width."""

    x: float
    y: float
    shape: str
    colour: str
    size: float = 3.0


class Label(NamedTuple):
    """One line of text; `anchor` is "start", "middle" or "end"; (x, y) lies on the base line."""

    x: float
    y: float
    text: str
    size: float = 11.0
    anchor: str = "start"
    colour: str = "#22201c"
    bold: bool = False


Shape: TypeAlias = Path | Box | Mark | Label


@dataclass(slots=True)
class Drawing:
    """Shapes in the order in which they are laid down, with the words for whoever cannot see them."""

    width: float
    height: float
    title: str
    desc: str
    shapes: list[Shape] = field(default_factory=list)

    def add(self, *shapes: Shape) -> None:
        """Lay shapes on top of what is there."""
        self.shapes.extend(shapes)


def text_width(text: str, size: float) -> float:
    """About how wide a text is set at `size`."""
    return len(text) * size * LETTER


def outline(mark: Mark) -> list[Sequence[tuple[float, float]]]:
    """The strokes of a diamond or a cross, for drawers without such a shape."""
    x, y, s = mark.x, mark.y, mark.size
    if mark.shape == "cross":
        return [[(x - s, y - s), (x + s, y + s)], [(x - s, y + s), (x + s, y - s)]]
    return [[(x, y - s), (x + s, y), (x, y + s), (x - s, y), (x, y - s)]]


def svg(drawing: Drawing) -> str:
    """The drawing as one SVG element with `<title>` and `<desc>`; no scripts, no outside references."""
    key = hashlib.sha256(f"{drawing.title}\n{drawing.desc}".encode()).hexdigest()[:10]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}" role="img" '
        f'aria-labelledby="t{key} d{key}" font-family="system-ui, sans-serif">'
        f'<title id="t{key}">{_clean(drawing.title)}</title><desc id="d{key}">{_clean(drawing.desc)}</desc>'
    )
    return head + "".join(_shape(s) for s in drawing.shapes) + "</svg>"


def _shape(shape: Shape) -> str:
    if isinstance(shape, Path):
        return f'<polyline points="{_points(shape.points)}" fill="none" {_stroke(shape.colour, shape.width, shape.dash)}/>'
    if isinstance(shape, Box):
        fill = shape.fill or "none"
        stroke = " " + _stroke(shape.colour, shape.line, shape.dash) if shape.colour else ""
        size = f'width="{_n(shape.width)}" height="{_n(shape.height)}"'
        return f'<rect x="{_n(shape.x)}" y="{_n(shape.y)}" {size} fill="{fill}"{stroke}/>'
    if isinstance(shape, Mark):
        if shape.shape == "ring":
            return f'<circle cx="{_n(shape.x)}" cy="{_n(shape.y)}" r="{_n(shape.size)}" fill="#ffffff" {_stroke(shape.colour, 1.2, ())}/>'
        return "".join(f'<polyline points="{_points(p)}" fill="none" {_stroke(shape.colour, 1.2, ())}/>' for p in outline(shape))
    weight = ' font-weight="600"' if shape.bold else ""
    anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
    where = f'x="{_n(shape.x)}" y="{_n(shape.y)}" font-size="{_n(shape.size)}"'
    return f"<text {where}{anchor}{weight} fill={quoteattr(shape.colour)}>{_clean(shape.text)}</text>"


def _stroke(colour: str, width: float, dash: Iterable[float]) -> str:
    pattern = " ".join(_n(d) for d in dash)
    return f'stroke="{colour}" stroke-width="{_n(width)}"' + (f' stroke-dasharray="{pattern}"' if pattern else "")


def _points(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{_n(x)},{_n(y)}" for x, y in points)


def _n(value: float) -> str:
    text = f"{value:.1f}"
    return text.removesuffix(".0")


def _clean(text: str) -> str:
    """Escaped, without the control characters that XML 1.0 section 2.2 forbids."""
    return escape("".join(c for c in text if (c >= " " and c not in "\ufffe\uffff" and not "\ud800" <= c <= "\udfff") or c in "\t\n"))
