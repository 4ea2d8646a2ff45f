"""The type faces of a drawn report: DejaVu where it is installed, which has letters of most scripts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from io import BytesIO
from itertools import groupby
from pathlib import Path

from PIL import ImageFont

from api.report.truetype import TrueTypeFont

_LAST_RESORT = "DejaVuSans.ttf"


@dataclass(slots=True)
class PdfFont:
    """One font as a PDF holds it. `used`: the glyphs drawn so far with the character each stands for."""

    name: str
    font: TrueTypeFont
    used: dict[int, str] = field(default_factory=dict)


class _Widths(dict[str, int]):
    """How wide each character is, in thousandths; looked up once."""

    def __init__(self, face: Face) -> None:
        super().__init__()
        self._face = face

    def __missing__(self, character: str) -> int:
        self[character] = width = sum(one.font.width(glyph) for one, glyph in self._face.look_up(character))
        return width


class _Codes(dict[str, str]):
    """How each character that the face's own font has is written; KeyError for any other."""

    def __init__(self, face: Face) -> None:
        super().__init__()
        self._face = face

    def __missing__(self, character: str) -> str:
        glyphs = list(self._face.look_up(character))
        if [one.name for one, _ in glyphs] != [self._face.fonts[0].name]:
            raise KeyError(character)
        self[character] = code = f"{glyphs[0][1]:04x}"
        return code


class Face:
    """What one kind of text is set in: its own font, then the one that has more letters.

    A character that neither has is set as \\uNNNN, so that it can be told from others.
    """

    def __init__(self, fonts: Sequence[PdfFont]) -> None:
        self.fonts = tuple(fonts)
        self._widths = _Widths(self)
        self._codes = _Codes(self)

    def look_up(self, character: str) -> Iterator[tuple[PdfFont, int]]:
        """Font and glyph; several of them for a character that must be spelt."""
        for one in self.fonts:
            glyph = one.font.glyph(character)
            if glyph:
                one.used.setdefault(glyph, character)
                yield one, glyph
                return
        if character == "\u202f":  # a narrow space, which some fonts lack
            yield from self.look_up(" ")
        elif ord(character) > 126:  # else the font lacks even the letters to spell with
            point = ord(character)
            for letter in f"\\u{point:04x}" if point <= 0xFFFF else f"\\U{point:08x}":
                yield from self.look_up(letter)

    def spell(self, text: str) -> list[tuple[str, str]]:
        """The text as runs of one font each: the font's name, and its glyphs as hexadecimal numbers."""
        try:
            return [(self.fonts[0].name, "".join(map(self._codes.__getitem__, text)))]
        except KeyError:
            glyphs = [one for character in text for one in self.look_up(character)]
        runs = groupby(glyphs, key=lambda one: one[0].name)
        return [(name, "".join(f"{glyph:04x}" for _, glyph in run)) for name, run in runs]

    def width(self, text: str, size: float) -> float:
        return sum(map(self._widths.__getitem__, text)) * size / 1000

    def wrap(self, text: str, size: float, room: float) -> list[str]:
        """The text in lines of at most `room` points, broken at blanks and after slashes where that goes."""
        limit = room * 1000 / size
        widths = list(map(self._widths.__getitem__, text))
        if sum(widths) <= limit:
            return [text]
        lines, start, good, used, since = [], 0, 0, 0, 0
        for place, (character, width) in enumerate(zip(text, widths, strict=True)):
            if used + width > limit and place > start:
                end, since = (good, since) if good > start else (place, 0)
                lines.append(text[start:end].rstrip(" "))
                start = good = end
                used = since
            used += width
            since += width
            if character in " /":
                good, since = place + 1, 0
        lines.append(text[start:])
        return lines


@dataclass(frozen=True, slots=True)
class Faces:
    heading: Face
    strong: Face
    text: Face
    figures: Face

    def fonts(self) -> list[PdfFont]:
        """Each font once."""
        faces = (self.heading, self.strong, self.text, self.figures)
        return list({one.name: one for face in faces for one in face.fonts}.values())


def load_faces() -> Faces:
    found: dict[int, PdfFont] = {}

    def face(*names: str) -> Face:
        fonts = []
        for name in (*names, _LAST_RESORT):
            font = _read_font(name)
            known = found.setdefault(id(font), PdfFont(f"F{len(found) + 1}", font))
            if known not in fonts:
                fonts.append(known)
        return Face(fonts)

    return Faces(
        heading=face("DejaVuSerif.ttf"),
        strong=face("DejaVuSans-Bold.ttf"),
        text=face(),
        figures=face("DejaVuSansMono.ttf"),
    )


def _read_font(name: str) -> TrueTypeFont:
    """The font, looked for in the system's font folders; else the one that Pillow brings."""
    for candidate in (name, _LAST_RESORT):
        try:
            path = ImageFont.truetype(candidate, 10).path
            if isinstance(path, str):
                return _parse(Path(path).read_bytes())
        except (OSError, ValueError):
            continue
    font = ImageFont.load_default(10)
    assert isinstance(font, ImageFont.FreeTypeFont) and isinstance(font.path, BytesIO)
    return _parse(font.path.getvalue())


@cache
def _parse(data: bytes) -> TrueTypeFont:
    """Read once: a font never changes, and every report is set in the same few."""
    return TrueTypeFont(data)
