"""Pages of a report, drawn from the top down: text, rows of tables, and a new page when one is full."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from api.handover.sheet_style import AMBER, INK, RULE, SOFT
from api.report.faces import Face, load_faces
from api.report.pdf_file import TOTAL, PdfFile

Colour = tuple[int, int, int]

PAGE = (595.28, 841.89)  # A4 (ISO 216), in points of 1/72 inch
LEFT, RIGHT = 45.0, PAGE[0] - 45.0
TOP, BOTTOM = PAGE[1] - 45.0, 58.0
WIDTH = RIGHT - LEFT
_FOOT = 36.0
_FOOT_SIZE = 7.0
_LEADING = 1.3  # of a table, in its text's size
_HEADS = 40.0  # what the heads of a table take at most
_MARK = 9.0  # how far left of its text the amber bar stands


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a row: where it begins, how wide it is, and how its text is set."""

    x: float
    width: float
    face: Face
    size: float
    right: bool = False


class Pages:
    """Draws downwards from `y`. Finish with `close`, which writes the end of the file."""

    def __init__(self, out: BinaryIO, foot: str) -> None:
        self.faces = load_faces()
        self.y = TOP
        self._file = PdfFile(out, PAGE)
        self._foot = foot
        self._drawn: list[str] = []
        self._on_new_page: Callable[[], None] | None = None

    # -- where to draw -----------------------------------------------------------------------------

    def need(self, height: float) -> None:
        """Begin a new page unless this much is left of the page; a page that is empty takes anything."""
        if self.y - height < BOTTOM and self.y < TOP:
            self._end_page()
            if self._on_new_page is not None:
                self._on_new_page()

    def repeat(self, head: Callable[[], None] | None) -> None:
        """What stands at the top of every further page, such as the heads of a table's columns."""
        self._on_new_page = head

    def skip(self, height: float) -> None:
        self.y -= height

    def close(self, title: str) -> None:
        self._end_page()
        text = f"{self._file.pages}"
        drawn = self._set(self.faces.text, _FOOT_SIZE, text, 0, 0, SOFT)
        self._file.close(title, drawn.encode("ascii"), self.faces.fonts())

    # -- what to draw ------------------------------------------------------------------------------

    def text(self, x: float, y: float, text: str, face: Face, size: float, colour: Colour = INK) -> None:
        self._drawn.append(self._set(face, size, text, x, y, colour))

    def paragraph(
        self,
        text: str,
        face: Face,
        size: float,
        *,
        colour: Colour = INK,
        x: float = LEFT,
        width: float | None = None,
        leading: float = 1.4,
        marked: bool = False,
    ) -> None:
        """Wrapped text. `marked`: with the amber bar at its left, on every page it reaches."""
        for line in face.wrap(text, size, width if width is not None else RIGHT - x):
            self.need(size * leading)
            if marked:
                self.bar(x - _MARK, self.y - size * leading, self.y)
            self.text(x, self.y - size, line, face, size, colour)
            self.y -= size * leading

    def row(
        self, cells: Sequence[tuple[Cell, str, Colour]], *, marked: bool = False, pad: float = 2.4
    ) -> None:
        """One row of a table, each cell wrapped in its width, below a fine rule. A page holds it whole,
        unless it is taller than a page."""
        wrapped = [(cell, cell.face.wrap(text, cell.size, cell.width), ink) for cell, text, ink in cells]
        tallest = max(cell.size for cell, _, _ in wrapped) * _LEADING
        most = int((TOP - BOTTOM - _HEADS) / tallest)
        for first in range(0, max(len(lines) for _, lines, _ in wrapped), most):
            part = [(cell, lines[first : first + most], ink) for cell, lines, ink in wrapped]
            self._draw_row(part, marked, pad)

    def _draw_row(self, cells: Sequence[tuple[Cell, list[str], Colour]], marked: bool, pad: float) -> None:
        height = max(len(lines) * cell.size * _LEADING for cell, lines, _ in cells) + 2 * pad
        self.need(height)
        self.rule(self.y)
        if marked:
            self.bar(LEFT - _MARK, self.y - height + 0.6, self.y - 0.6)
        base = self.y - pad - max(cell.size for cell, _, _ in cells)  # one line for all, whatever their sizes
        for cell, lines, colour in cells:
            y = base
            for line in lines:
                x = cell.x + (cell.width - cell.face.width(line, cell.size) if cell.right else 0)
                self.text(x, y, line, cell.face, cell.size, colour)
                y -= cell.size * _LEADING
        self.y -= height

    def image(
        self, jpeg: bytes, size: tuple[int, int], x: float, y: float, width: float, height: float
    ) -> None:
        """A picture with its lower left corner at x and y. `size`: its own, in pixels."""
        name = self._file.add_image(jpeg, *size)
        self._drawn.append(f"q {width:.2f} 0 0 {height:.2f} {x:.2f} {y:.2f} cm /{name} Do Q")

    def rule(self, y: float, *, left: float = LEFT, right: float = RIGHT, colour: Colour = RULE) -> None:
        self._drawn.append(f"{_ink(colour)} RG 0.5 w {left:.2f} {y:.2f} m {right:.2f} {y:.2f} l S")

    def bar(self, x: float, low: float, high: float, colour: Colour = AMBER) -> None:
        self._drawn.append(f"{_ink(colour)} rg {x:.2f} {low:.2f} 2.4 {high - low:.2f} re f")

    # -- pages ---------------------------------------------------------------------------------------

    def _end_page(self) -> None:
        small = self.faces.text
        number = f"Page {self._file.pages + 1} of "
        # Room for three digits: the form with the number of pages is filled in at the end.
        x = RIGHT - small.width(number + "000", _FOOT_SIZE)
        foot = small.wrap(self._foot, _FOOT_SIZE, x - LEFT - 20)[0]
        self.rule(_FOOT + 12)
        self.text(LEFT, _FOOT, foot, small, _FOOT_SIZE, SOFT)
        self.text(x, _FOOT, number, small, _FOOT_SIZE, SOFT)
        x += small.width(number, _FOOT_SIZE)
        self._drawn.append(f"q 1 0 0 1 {x:.2f} {_FOOT:.2f} cm /{TOTAL} Do Q")
        self._file.add_page("\n".join(self._drawn).encode("ascii"))
        self._drawn = []
        self.y = TOP

    def _set(self, face: Face, size: float, text: str, x: float, y: float, colour: Colour) -> str:
        """The operators that set one line: each run of one font as the numbers of its glyphs."""
        runs = (f"/{font} {size:g} Tf <{codes}> Tj" for font, codes in face.spell(text))
        return f"BT {_ink(colour)} rg {x:.2f} {y:.2f} Td {' '.join(runs)} ET"


def _ink(colour: Colour) -> str:
    return " ".join(f"{part / 255:.3f}" for part in colour)
