"""A TrueType font file: which glyph a character has, how wide it is, and a file of only the glyphs used.

Written after the OpenType specification 1.9 (chapters cmap, glyf, head, hhea, hmtx, loca, maxp), of which it
needs this much, so that a PDF can hold real text: sharp at any size, searched, and copied out.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator

_UNICODE_TABLES = ((3, 10), (0, 6), (0, 4), (3, 1), (0, 3))  # the widest reach first
# What a PDF reader needs of a font whose glyphs are named by number (ISO 32000-1, 9.9).
_KEPT = ("cvt ", "fpgm", "glyf", "head", "hhea", "hmtx", "loca", "maxp", "prep")
_ARGS_ARE_WORDS, _HAS_SCALE, _MORE, _HAS_XY_SCALE, _HAS_TWO_BY_TWO = 0x1, 0x8, 0x20, 0x40, 0x80


class TrueTypeFont:
    """One font. Raises ValueError for a file that is no TrueType font with outlines."""

    def __init__(self, data: bytes) -> None:
        if data[:4] not in (b"\x00\x01\x00\x00", b"true"):
            raise ValueError("no TrueType font")
        self._tables = dict(_read_tables(data))
        try:
            head, hhea = self._tables["head"], self._tables["hhea"]
            self._glyf = self._tables["glyf"]
            self.units = _u16(head, 18)
            self.box: tuple[int, int, int, int] = struct.unpack_from(">4h", head, 36)
            self.ascent, self.descent = struct.unpack_from(">2h", hhea, 4)
            self._count = _u16(self._tables["maxp"], 4)
            self._widths = _read_widths(self._tables["hmtx"], _u16(hhea, 34), self._count)
            self._places = _read_places(self._tables["loca"], self._count, long=_u16(head, 50) == 1)
            self._glyphs = _read_characters(self._tables["cmap"])
        except (KeyError, struct.error, IndexError) as error:
            raise ValueError("a broken TrueType font") from error

    def glyph(self, character: str) -> int:
        """The number of its glyph; 0 where the font has none."""
        return self._glyphs.get(ord(character), 0)

    def width(self, glyph: int) -> int:
        """In thousandths of the font's size."""
        return round(self._widths[glyph] * 1000 / self.units)

    def scale(self, value: int) -> int:
        """A length of the font's own grid in thousandths of its size."""
        return round(value * 1000 / self.units)

    def subset(self, glyphs: Iterable[int]) -> bytes:
        """A font file with only these glyphs, their numbers unchanged; all others are empty."""
        wanted = self._with_parts({0, *glyphs})
        places, outlines = [0], bytearray()
        for number in range(self._count):
            if number in wanted:
                outlines += self._outline(number)
                outlines += bytes(-len(outlines) % 4)
            places.append(len(outlines))
        tables = {name: self._tables[name] for name in _KEPT if name in self._tables}
        tables["glyf"] = bytes(outlines)
        tables["loca"] = struct.pack(f">{len(places)}I", *places)
        tables["head"] = tables["head"][:50] + b"\x00\x01" + tables["head"][52:]  # long places
        return _write_tables(tables)

    def _outline(self, number: int) -> bytes:
        return self._glyf[self._places[number] : self._places[number + 1]]

    def _with_parts(self, glyphs: set[int]) -> set[int]:
        """The glyphs and those that they are composed of."""
        found, waiting = set(glyphs), list(glyphs)
        while waiting:
            for part in _parts(self._outline(waiting.pop())):
                if part < self._count and part not in found:
                    found.add(part)
                    waiting.append(part)
        return found


def _u16(data: bytes, at: int) -> int:
    return int(struct.unpack_from(">H", data, at)[0])


def _read_tables(data: bytes) -> Iterator[tuple[str, bytes]]:
    for number in range(_u16(data, 4)):
        tag, _, offset, length = struct.unpack_from(">4s3I", data, 12 + 16 * number)
        yield tag.decode("latin-1"), data[offset : offset + length]


def _read_widths(hmtx: bytes, measured: int, count: int) -> list[int]:
    widths = [_u16(hmtx, 4 * number) for number in range(measured)]
    return widths + [widths[-1]] * (count - measured)  # the last holds for all that follow


def _read_places(loca: bytes, count: int, *, long: bool) -> list[int]:
    if long:
        return list(struct.unpack_from(f">{count + 1}I", loca))
    return [2 * place for place in struct.unpack_from(f">{count + 1}H", loca)]


def _read_characters(cmap: bytes) -> dict[int, int]:
    """Unicode points to glyphs, from the table that reaches furthest."""
    tables = {}
    for number in range(_u16(cmap, 2)):
        platform, encoding, offset = struct.unpack_from(">HHI", cmap, 4 + 8 * number)
        tables[platform, encoding] = offset
    for key in _UNICODE_TABLES:
        if key in tables:
            table = cmap[tables[key] :]
            form = _u16(table, 0)
            if form == 12:
                return dict(_read_form_12(table))
            if form == 4:
                return dict(_read_form_4(table))
    return {}


def _read_form_12(table: bytes) -> Iterator[tuple[int, int]]:
    for group in range(struct.unpack_from(">I", table, 12)[0]):
        first, last, glyph = struct.unpack_from(">3I", table, 16 + 12 * group)
        for point in range(first, min(last, 0x10FFFF) + 1):
            yield point, glyph + point - first


def _read_form_4(table: bytes) -> Iterator[tuple[int, int]]:
    segments = _u16(table, 6) // 2
    ends, starts = 14, 16 + 2 * segments
    deltas, ranges = starts + 2 * segments, starts + 4 * segments
    for segment in range(segments):
        at = 2 * segment
        first, last = _u16(table, starts + at), _u16(table, ends + at)
        delta, offset = _u16(table, deltas + at), _u16(table, ranges + at)
        for point in range(first, last + 1):
            glyph = point
            if offset:
                glyph = _u16(table, ranges + at + offset + 2 * (point - first))
                if glyph == 0:
                    continue
            glyph = (glyph + delta) & 0xFFFF
            if glyph and point != 0xFFFF:
                yield point, glyph


def _parts(outline: bytes) -> Iterator[int]:
    """The glyphs that a composite one is made of."""
    if len(outline) < 10 or struct.unpack_from(">h", outline)[0] >= 0:
        return
    at, flags = 10, _MORE
    while flags & _MORE:
        flags, glyph = struct.unpack_from(">2H", outline, at)
        yield glyph
        at += 8 if flags & _ARGS_ARE_WORDS else 6
        if flags & _HAS_SCALE:
            at += 2
        elif flags & _HAS_XY_SCALE:
            at += 4
        elif flags & _HAS_TWO_BY_TWO:
            at += 8


def _write_tables(tables: dict[str, bytes]) -> bytes:
    count = len(tables)
    power = count.bit_length() - 1
    header = struct.pack(">4s4H", b"\x00\x01\x00\x00", count, 16 << power, power, 16 * count - (16 << power))
    records, body = b"", bytearray()
    for name, data in sorted(tables.items()):
        padded = data + bytes(-len(data) % 4)
        total = sum(struct.unpack(f">{len(padded) // 4}I", padded)) & 0xFFFFFFFF
        offset = 12 + 16 * count + len(body)
        records += struct.pack(">4s3I", name.encode("latin-1"), total, offset, len(data))
        body += padded
    return header + records + bytes(body)
