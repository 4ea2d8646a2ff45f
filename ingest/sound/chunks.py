"""The chunks of a wave file: RIFF, and RF64 and BW64 beyond 4 GiB, with the broadcast extension `bext`.

Layouts: RIFF (Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0, 1991); RF64
(EBU Tech 3306); BW64 (ITU-R BS.2088-1); `bext` versions 0 to 2 (EBU Tech 3285 v2, 2011). Every size is held
against the bytes that are really there: a file may lie.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, BinaryIO

from ingest.media.facts import Facts
from ingest.media.numbers import LARGEST
from ingest.sound.ixml import MOST_BYTES as MOST_IXML
from ingest.sound.ixml import read_ixml
from shared.errors import MediaError

_ELSEWHERE = 0xFFFFFFFF  # EBU Tech 3306: the true size stands in ds64
_MOST_CHUNKS = 1000
_MOST_HISTORY = 4096
_MOST_SIZES = 1000

# EBU Tech 3285, the table of the broadcast_audio_extension, at these offsets from the chunk's first byte:
#   0 Description 256 · 256 Originator 32 · 288 OriginatorReference 32 · 320 OriginationDate 10
#   330 OriginationTime 8 · 338 TimeReferenceLow 4 · 342 TimeReferenceHigh 4 · 346 Version 2
#   348 UMID 64 (from version 1) · 412 LoudnessValue 2 · 414 LoudnessRange 2 · 416 MaxTruePeakLevel 2
#   418 MaxMomentaryLoudness 2 · 420 MaxShortTermLoudness 2 (these five from version 2) · 422 Reserved 180
#   602 CodingHistory, to the end.
_BEXT = struct.Struct("<256s32s32s10s8sIIH64s5h180s")
BEXT_BYTES = _BEXT.size  # 602
_NO_LOUDNESS = 0x7FFF  # EBU Tech 3285 v2: a loudness that is not used
_LOUDNESS = ("loudness_lufs", "loudness_range_lu", "true_peak_dbtp", "momentary_lufs", "short_term_lufs")


@dataclass(frozen=True, slots=True)
class Chunk:
    """`size` is what the chunk claims, `there` how much of that the file has; `start` is its content's."""

    name: bytes
    start: int
    size: int
    there: int


@dataclass(frozen=True, slots=True)
class Bext:
    """A broadcast extension. Texts are empty and numbers None where the chunk does not say.

    `time_reference` counts samples since midnight. Loudness values are in hundredths of their unit.
    """

    version: int
    description: str
    originator: str
    originator_reference: str
    origination_date: str
    origination_time: str
    time_reference: int
    umid: str
    loudness: tuple[int | None, ...]
    coding_history: str

    def to_json(self) -> dict[str, Any]:
        """Only what is said; loudness as decimal text, exact."""
        said: dict[str, Any] = {"version": self.version, "time_reference": self.time_reference}
        for name in (
            *("description", "originator", "originator_reference", "origination_date", "origination_time"),
            *("umid", "coding_history"),
        ):
            if text := getattr(self, name):
                said[name] = text
        for name, value in zip(_LOUDNESS, self.loudness, strict=True):
            if value is not None:
                sign = "-" if value < 0 else ""
                said[name] = f"{sign}{abs(value) // 100}.{abs(value) % 100:02d}"
        return said


def read_chunks(file: BinaryIO) -> Iterator[Chunk]:
    """The chunks of a wave file in their order, with true sizes. Ends where the file stops making sense.

    Raises MediaError when it is none.
    """
    end = os.fstat(file.fileno()).st_size
    file.seek(0)
    head = file.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        raise MediaError("is not a wave file")
    sizes: dict[bytes, int] = {}
    at = 12
    for _ in range(_MOST_CHUNKS):
        file.seek(at)
        header = file.read(8)
        if len(header) < 8:
            return
        name, size = header[:4], int.from_bytes(header[4:], "little")
        if not all(32 <= byte < 127 for byte in name):
            return  # sound, most likely: a recorder that lost power never wrote how much there is
        if head[:4] != b"RIFF" and size == _ELSEWHERE:
            size = sizes.get(name, end)
        chunk = Chunk(name, at + 8, size, max(0, min(size, end - at - 8)))
        if name == b"ds64" and at == 12 and head[:4] != b"RIFF":
            sizes = _read_sizes(content_of(file, chunk, 28 + 12 * _MOST_SIZES))
        yield chunk
        if chunk.there < size:
            return
        at += 8 + size + size % 2  # chunks begin at even places


def _read_sizes(content: bytes) -> dict[bytes, int]:
    """The sizes in `ds64`: riffSize, dataSize, sampleCount (BS.2088: dummy), tableLength, table."""
    if len(content) < 24:
        return {}
    sizes = {b"data": int.from_bytes(content[8:16], "little")}
    for at in range(28, len(content) - 11, 12):
        sizes.setdefault(content[at : at + 4], int.from_bytes(content[at + 4 : at + 12], "little"))
    return sizes


def content_of(file: BinaryIO, chunk: Chunk, most: int) -> bytes:
    """At most `most` bytes of a chunk's content."""
    file.seek(chunk.start)
    return file.read(min(chunk.there, most))


def parse_bext(content: bytes) -> Bext | None:
    """The broadcast extension in these bytes. None where they are too few to hold its fixed part.

    A version above 2 is read like 2: later ones may only use what is reserved.
    """
    if len(content) < BEXT_BYTES:
        return None
    *texts, low, high, version, umid, l1, l2, l3, l4, l5, _reserved = _BEXT.unpack(content[:BEXT_BYTES])
    loudness = (l1, l2, l3, l4, l5) if version >= 2 else (_NO_LOUDNESS,) * 5
    description, originator, reference, date, time = (_text(one) for one in texts)
    return Bext(
        version=version,
        description=description,
        originator=originator,
        originator_reference=reference,
        origination_date=date,
        origination_time=time,
        time_reference=high << 32 | low,
        umid=umid.hex() if version >= 1 and any(umid) else "",
        loudness=tuple(None if value == _NO_LOUDNESS else value for value in loudness),
        coding_history=_text(content[BEXT_BYTES:], _MOST_HISTORY),
    )


def _text(raw: bytes, most: int = 256) -> str:
    """Text up to the first NUL. The standard says ASCII; UTF-8 and Latin-1 are common (common practice)."""
    raw = raw[:most].split(b"\0", 1)[0]
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return "".join(c for c in text if c.isprintable() or c in "\r\n\t").strip()


def add_chunks(file: BinaryIO, facts: Facts) -> Facts:
    """`facts` with what the chunks say: more["bext"], more["ixml"] and more["tracks"].

    Tracks are {"channel", "name", "function"}, channels counted from 1. A file that is no wave file, and
    chunks that can't be read, add nothing.
    """
    try:
        found = {chunk.name: chunk for chunk in reversed(list(read_chunks(file)))}
    except MediaError:
        return facts
    more = dict(facts.more)
    if chunk := found.get(b"bext"):
        bext = parse_bext(content_of(file, chunk, BEXT_BYTES + _MOST_HISTORY))
        if bext is not None and bext.time_reference < LARGEST:
            more |= {"bext": bext.to_json(), "time_reference_samples": bext.time_reference}
    if chunk := found.get(b"iXML"):
        document = read_ixml(content_of(file, chunk, MOST_IXML + 1))
        if document is not None and document.said:
            more["ixml"] = dict(document.said)
        if document is not None and document.tracks:
            more["tracks"] = [
                {"channel": track.channel, "name": track.name, "function": track.function}
                for track in document.tracks
            ]
    return replace(facts, more=more)
