"""Paper: an fpdf2 document with our margins, foot, headings, paragraphs, tables and charts.

The core fonts are used, which every reader has and which hold the letters of Western Europe (Windows-1252 in PDF 32000-1,
annex D). Other letters are set as near as they come; the JSON and CSV beside the PDF have them exactly.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import hypot

from fpdf import FPDF
from fpdf.enums import TableCellFillMode, XPos, YPos
from fpdf.fonts import FontFace

from monitor.charts.drawing import Box, Drawing, Label, Mark, Path, outline

INK, SOFT, RULE, SHADE, LOUD = (34, 32, 28), (93, 88, 80), (200, 194, 182), (246, 242, 233), (122, 31, 31)
_NEAR = {
    "≤": "<=", "≥": ">=", "→": "->", "←": "<-", "−": "-", "–": "-", "—": "-", "…": "...", "‘": "'", "’": "'", "“": '"', "”": '"',
    "•": "-", "\u00a0": " ", "\u202f": " ",
    "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "œ": "oe", "Œ": "OE", "€": "EUR", "√": "sqrt ", "Δ": "delta ",
}  # fmt: skip


def plain(text: str) -> str:
    """The text in letters that the core fonts have (ISO 8859-1), as near as they come."""
    out = []
    for letter in text:
        near = _NEAR.get(letter, letter)
        if not near.isprintable() and near not in "\n":
            near = " "
        try:
            near.encode("latin-1")
        except UnicodeEncodeError:
            stripped = "".join(c for c in unicodedata.normalize("NFKD", near) if not unicodedata.combining(c))
            near = stripped if stripped and all(ord(c) < 256 for c in stripped) else "?"
        out.append(near)
    return "".join(out)


class Sheet(FPDF):
    """One document. `foot_left` and `foot_right` stand at the foot of every page, with the page's number between."""

    def __init__(self, paper: str, title: str, foot: Sequence[str]) -> None:
        super().__init__(orientation="portrait", unit="pt", format=paper)
        self.foot_lines = [plain(line) for line in foot]
        self.set_margins(46, 44, 46)
        self.set_auto_page_break(True, margin=62)
        self.set_title(plain(title))
        self.set_creator("Larderer")
        self.set_lang("en")
        self.add_page()

    def footer(self) -> None:
        """What identifies the export, and the page's number, on every page."""
        self.set_y(-52)
        self.set_draw_color(*RULE)
        self.set_line_width(0.6)
        self.line(self.l_margin, self.h - 54, self.w - self.r_margin, self.h - 54)
        self.set_font("helvetica", size=7)
        self.set_text_color(*SOFT)
        for line in self.foot_lines:
            self.cell(0, 9, line, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.set_xy(self.l_margin, self.h - 52)
        self.cell(0, 9, f"page {self.page_no()} of {{nb}}", align="R")

    def heading(self, text: str, size: float = 13, room: float = 90) -> None:
        """A heading that is not left alone at the foot of a page."""
        self.need(room)
        self.ln(size * 0.6)
        self.set_font("helvetica", "B", size)
        self.set_text_color(*INK)
        self.multi_cell(0, size * 1.3, plain(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(3)

    def say(self, text: str, *, size: float = 9.5, bold: bool = False, soft: bool = False, loud: bool = False) -> None:
        """A paragraph."""
        self.set_font("helvetica", "B" if bold else "", size)
        self.set_text_color(*(LOUD if loud else SOFT if soft else INK))
        self.multi_cell(0, size * 1.35, plain(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(1.5)

    def points(self, lines: Sequence[str], size: float = 9) -> None:
        """A list, a dash before each line."""
        for line in lines:
            self.set_font("helvetica", "", size)
            self.set_text_color(*INK)
            self.set_x(self.l_margin)
            self.cell(10, size * 1.35, "-")
            self.multi_cell(0, size * 1.35, plain(line), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(2)

    def grid(self, heads: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], size: float = 8) -> None:
        """A table; its head is repeated on every page, rows are not broken in two. `widths` are shares of the page."""
        self.need(40)
        self.set_font("helvetica", "", size)
        self.set_text_color(*INK)
        self.set_draw_color(*RULE)
        self.set_line_width(0.4)
        with self.table(
            col_widths=tuple(widths),
            line_height=size * 1.3,
            padding=(2, 3, 2, 3),
            text_align="LEFT",
            borders_layout="HORIZONTAL_LINES",
            cell_fill_color=SHADE,
            cell_fill_mode=TableCellFillMode.NONE,
            headings_style=FontFace(emphasis="BOLD", color=INK, fill_color=SHADE),
        ) as table:
            for line in [heads, *rows]:
                row = table.row()
                for cell in line:
                    row.cell(plain(cell))
        self.ln(4)

    def need(self, room: float) -> None:
        """Begin a new page unless this much of it is left."""
        if self.get_y() + room > self.page_break_trigger:
            self.add_page()

    def chart(self, drawing: Drawing) -> None:
        """A drawing across the page, one of its points to one point of the paper."""
        self.need(drawing.height + 4)
        left, top = self.l_margin, self.get_y()
        with self.local_context():
            for shape in drawing.shapes:
                if isinstance(shape, Path):
                    self._strokes(shape, left, top)
                elif isinstance(shape, Box):
                    self._box(shape, left, top)
                elif isinstance(shape, Mark):
                    self._mark(shape, left, top)
                else:
                    self._label(shape, left, top)
        self.set_xy(self.l_margin, top + drawing.height + 4)

    def _strokes(self, path: Path, left: float, top: float) -> None:
        self.set_draw_color(path.colour)
        self.set_line_width(path.width)
        for piece in dashes(path.points, path.dash) if path.dash else [list(path.points)]:
            if len(piece) > 1:
                self.polyline([(left + x, top + y) for x, y in piece])

    def _box(self, box: Box, left: float, top: float) -> None:
        if box.fill:
            self.set_fill_color(box.fill)
            self.rect(left + box.x, top + box.y, box.width, box.height, style="F")
        if box.colour:
            x, y, w, h = box.x, box.y, box.width, box.height
            self._strokes(Path([(x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y)], box.colour, box.line, box.dash), left, top)

    def _mark(self, mark: Mark, left: float, top: float) -> None:
        if mark.shape == "ring":
            self.set_draw_color(mark.colour)
            self.set_line_width(1)
            self.set_fill_color(255, 255, 255)
            self.circle(left + mark.x, top + mark.y, mark.size, style="DF")
            return
        for stroke in outline(mark):
            self._strokes(Path(stroke, mark.colour, 1.1), left, top)

    def _label(self, label: Label, left: float, top: float) -> None:
        self.set_font("helvetica", "B" if label.bold else "", label.size * 0.92)
        self.set_text_color(label.colour)
        text = plain(label.text)
        wide = self.get_string_width(text)
        shift = {"start": 0.0, "middle": wide / 2, "end": wide}[label.anchor]
        self.text(left + label.x - shift, top + label.y, text)


def dashes(points: Sequence[tuple[float, float]], pattern: Sequence[float]) -> Iterator[list[tuple[float, float]]]:
    """The drawn pieces of a dashed line: PDF has dash patterns too, but fpdf2's lines take two lengths only."""
    on, turn, left = True, 0, pattern[0]
    piece = [points[0]] if points else []
    for (x0, y0), (x1, y1) in pairwise(points):
        length, done = hypot(x1 - x0, y1 - y0), 0.0
        while length - done > left:
            done += left
            at = (x0 + (x1 - x0) * done / length, y0 + (y1 - y0) * done / length)
            if on:
                yield [*piece, at]
            on, turn = not on, (turn + 1) % len(pattern)
            left = pattern[turn] if len(pattern) > 1 else pattern[0]
            piece = [at]
        left -= length - done
        if on:
            piece.append((x1, y1))
    if on and len(piece) > 1:
        yield piece
