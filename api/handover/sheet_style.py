"""How a contact sheet looks: a sheet of paper, ink in two strengths, and one accent. Sizes are in pixels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from PIL import ImageFont

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont

DPI = 200
PAGE = (2339, 1654)  # A4 (ISO 216) lying, at 200 dots an inch
MARGIN = 92
GUTTER = 76  # between the two columns
COLUMNS, ROWS = 2, 4
CELLS = COLUMNS * ROWS  # clips on a page
HEAD = 136  # height kept for the heading, from the margin down
FOOT = 40  # height kept for the foot, above the margin
STILLS = 3  # shown of each clip
STILL_GAP = 10

REGULAR, BOLD = "DejaVuSans.ttf", "DejaVuSans-Bold.ttf"
PAPER = (250, 247, 240)
PANEL = (240, 235, 224)  # where a picture should be
RULE = (214, 207, 192)
INK = (36, 33, 29)
SOFT = (104, 97, 86)
AMBER = (184, 116, 26)

CELL_WIDTH = (PAGE[0] - 2 * MARGIN - GUTTER * (COLUMNS - 1)) // COLUMNS
CELL_HEIGHT = (PAGE[1] - 2 * MARGIN - HEAD - FOOT) // ROWS
STILL = ((CELL_WIDTH - STILL_GAP * (STILLS - 1)) // STILLS, (CELL_WIDTH - STILL_GAP * 2) // STILLS * 9 // 16)


@dataclass(frozen=True, slots=True)
class Fonts:
    heading: Font
    strong: Font
    text: Font
    small: Font


def load_fonts() -> Fonts:
    """DejaVu Sans, which has letters of most scripts, where it is installed; else Pillow's own font."""
    return Fonts(
        heading=_font(BOLD, 40),
        strong=_font(BOLD, 22),
        text=_font(REGULAR, 22),
        small=_font(REGULAR, 19),
    )


def _font(name: str, size: int) -> Font:
    for candidate in (name, REGULAR):
        try:
            return ImageFont.truetype(candidate, size)  # looked for in the system's font folders
        except OSError:
            continue
    return ImageFont.load_default(size)


def fit_end(text: str, font: Font, width: float) -> str:
    """The text, cut at its end with "…" where it is wider than `width`."""
    return _fit(text, font, width, lambda kept: text[:kept].rstrip() + "…")


def fit_middle(text: str, font: Font, width: float) -> str:
    """The text, cut in its middle: both ends of a file name tell clips apart."""

    def cut(kept: int) -> str:
        return text[: kept - kept // 2] + "…" + text[len(text) - kept // 2 :]

    return _fit(text, font, width, cut)


def _fit(text: str, font: Font, width: float, cut: Callable[[int], str]) -> str:
    if font.getlength(text) <= width:
        return text
    fewest, most = 0, len(text)  # characters kept: halved until the longest text that fits is found
    while fewest < most:
        middle = (fewest + most + 1) // 2
        if font.getlength(cut(middle)) <= width:
            fewest = middle
        else:
            most = middle - 1
    return cut(fewest)
