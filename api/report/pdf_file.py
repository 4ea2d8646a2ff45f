"""A PDF as a file: numbered objects, pages, and the fonts cut down to what was used (ISO 32000-1).

Pages go to the file as they are finished, so a report of ten thousand files is never in memory at once.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from typing import BinaryIO

from api.report.faces import PdfFont

# Said by every page before their number is known: a small form that the end of the file fills in.
TOTAL = "Total"
_FILLED_AT_ONCE = 100  # entries of a character map, of which a reader takes no more at a time


class PdfFile:
    """Writes to a file that is only ever appended to. `size` is that of a page, in points."""

    def __init__(self, out: BinaryIO, size: tuple[float, float]) -> None:
        self._out = out
        self._size = size
        self._at = 0
        self._places: dict[int, int] = {}
        self._last = 0
        self._pages: list[int] = []
        self._images: list[int] = []
        self._put(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n")  # four bytes that tell transfer programs it is binary
        self._catalogue, self._tree, self._resources = self._reserve(), self._reserve(), self._reserve()
        self._total = self._reserve()

    @property
    def pages(self) -> int:
        return len(self._pages)

    def add_page(self, content: bytes) -> None:
        stream = self._write_stream("", content)
        page = self._reserve()
        self._write(
            page,
            f"<</Type/Page/Parent {self._tree} 0 R/MediaBox[0 0 {self._size[0]:g} {self._size[1]:g}]"
            f"/Resources {self._resources} 0 R/Contents {stream} 0 R>>",
        )
        self._pages.append(page)

    def add_image(self, jpeg: bytes, width: int, height: int) -> str:
        """Write a picture of 8 bits a colour in RGB as it is (ISO 32000-1, 7.4.8); returns its name."""
        number = self._reserve()
        self._places[number] = self._at
        head = (
            f"{number} 0 obj\n<</Type/XObject/Subtype/Image/Width {width}/Height {height}"
            f"/ColorSpace/DeviceRGB/BitsPerComponent 8/Length {len(jpeg)}/Filter/DCTDecode>>\nstream\n"
        )
        self._put(head.encode("ascii") + jpeg + b"\nendstream\nendobj\n")
        self._images.append(number)
        return f"I{len(self._images)}"

    def close(self, title: str, total: bytes, fonts: Sequence[PdfFont]) -> None:
        """Write all that pages point at. `total`: the content of the form that says how many there are."""
        names = "".join(f"/{font.name} {self._write_font(font)} 0 R" for font in fonts if font.used)
        own = f"/Type/XObject/Subtype/Form/BBox[0 -20 120 20]/Resources<</Font<<{names}>>>>"
        self._write_stream(own, total, self._total)
        images = "".join(f"/I{place} {number} 0 R" for place, number in enumerate(self._images, 1))
        self._write(self._resources, f"<</Font<<{names}>>/XObject<</{TOTAL} {self._total} 0 R{images}>>>>")
        kids = " ".join(f"{page} 0 R" for page in self._pages)
        self._write(self._tree, f"<</Type/Pages/Count {len(self._pages)}/Kids[{kids}]>>")
        self._write(
            self._catalogue,
            f"<</Type/Catalog/Pages {self._tree} 0 R/Lang(en-GB)"
            "/ViewerPreferences<</DisplayDocTitle true>>>>",
        )
        about = self._reserve()
        self._write(about, f"<</Title {_text(title)}/Creator {_text('Rushlight')}>>")
        self._finish(about)

    def _finish(self, about: int) -> None:
        start = self._at
        lines = [f"xref\n0 {self._last + 1}\n0000000000 65535 f \n"]
        lines += [f"{self._places[number]:010} 00000 n \n" for number in range(1, self._last + 1)]
        self._put("".join(lines).encode("ascii"))
        trailer = f"<</Size {self._last + 1}/Root {self._catalogue} 0 R/Info {about} 0 R>>"
        self._put(f"trailer\n{trailer}\nstartxref\n{start}\n%%EOF\n".encode("ascii"))

    def _write_font(self, font: PdfFont) -> int:
        """A font whose codes are the glyphs' own numbers, with the characters they stand for beside it."""
        face, name = font.font, f"RUSHLT+{font.name}"
        data = face.subset(font.used)
        file = self._write_stream(f"/Length1 {len(data)}", data)
        box = " ".join(str(face.scale(value)) for value in face.box)
        descriptor = self._reserve()
        self._write(
            descriptor,
            f"<</Type/FontDescriptor/FontName/{name}/Flags 4/FontBBox[{box}]/ItalicAngle 0/StemV 80"
            f"/Ascent {face.scale(face.ascent)}/Descent {face.scale(face.descent)}"
            f"/CapHeight {face.scale(face.ascent)}/FontFile2 {file} 0 R>>",
        )
        widths = " ".join(f"{glyph}[{face.width(glyph)}]" for glyph in sorted(font.used))
        below = self._reserve()
        self._write(
            below,
            f"<</Type/Font/Subtype/CIDFontType2/BaseFont/{name}/CIDToGIDMap/Identity"
            f"/CIDSystemInfo<</Registry(Adobe)/Ordering(Identity)/Supplement 0>>"
            f"/FontDescriptor {descriptor} 0 R/W[{widths}]>>",
        )
        characters = self._write_stream("", _character_map(font.used.items()))
        whole = self._reserve()
        self._write(
            whole,
            f"<</Type/Font/Subtype/Type0/BaseFont/{name}/Encoding/Identity-H"
            f"/DescendantFonts[{below} 0 R]/ToUnicode {characters} 0 R>>",
        )
        return whole

    def _reserve(self) -> int:
        self._last += 1
        return self._last

    def _write(self, number: int, body: str) -> None:
        self._places[number] = self._at
        self._put(f"{number} 0 obj\n{body}\nendobj\n".encode("ascii"))

    def _write_stream(self, own: str, data: bytes, number: int | None = None) -> int:
        number = number or self._reserve()
        packed = zlib.compress(data, 4)
        self._places[number] = self._at
        head = f"{number} 0 obj\n<</Length {len(packed)}/Filter/FlateDecode{own}>>\nstream\n"
        self._put(head.encode("ascii") + packed + b"\nendstream\nendobj\n")
        return number

    def _put(self, data: bytes) -> None:
        self._out.write(data)
        self._at += len(data)


def _text(text: str) -> str:
    """A text string in UTF-16 (ISO 32000-1, 7.9.2.2)."""
    return f"<FEFF{text.encode('utf-16-be').hex()}>"


def _character_map(glyphs: Iterable[tuple[int, str]]) -> bytes:
    """From glyph to character, so that text can be searched and copied (ISO 32000-1, 9.10.3)."""
    entries = [f"<{glyph:04x}> <{text.encode('utf-16-be').hex()}>" for glyph, text in sorted(glyphs)]
    parts = [
        "/CIDInit /ProcSet findresource begin 12 dict begin begincmap",
        "/CIDSystemInfo <</Registry (Adobe) /Ordering (UCS) /Supplement 0>> def",
        "/CMapName /Adobe-Identity-UCS def /CMapType 2 def",
        "1 begincodespacerange <0000> <ffff> endcodespacerange",
    ]
    for first in range(0, len(entries), _FILLED_AT_ONCE):
        some = entries[first : first + _FILLED_AT_ONCE]
        parts += [f"{len(some)} beginbfchar", *some, "endbfchar"]
    parts.append("endcmap CMapName currentdict /CMap defineresource pop end end")
    return "\n".join(parts).encode("ascii")
