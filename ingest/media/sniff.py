"""Which container a file is, by its first bytes, and which demuxer may therefore read it.

An allow-list: a playlist renamed .mp4, or any other text that names further files or addresses, is no
container and no parser ever sees it. The suffix is not asked: cards mislabel, and attackers lie.
Each signature is the one its published format gives.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import BinaryIO

from shared.errors import MediaError

HEAD_BYTES = 65_536 + 16  # SMPTE ST 377-1: up to 65,535 bytes may stand before an MXF header partition
_MXF_HEADER = bytes.fromhex("060e2b34020501010d01020101")
# ISO/IEC 14496-12 and the QuickTime file format: the boxes with which a file may begin.
_FIRST_BOXES = frozenset((b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot", b"uuid", b"udta"))
_STILL_BRANDS = frozenset((b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis"))
_ASF = bytes.fromhex("3026b2758e66cf11a6d900aa0062ce6c")
_W64 = bytes.fromhex("726966662e91cf11a5d628db04c10000")


@dataclass(frozen=True, slots=True)
class Container:
    """`demuxers` are FFmpeg's names; a picture has none, for no demuxer is to touch it."""

    name: str
    demuxers: tuple[str, ...] = ()

    @property
    def is_picture(self) -> bool:
        return not self.demuxers


_PREFIXES: tuple[tuple[bytes, Container], ...] = (
    (b"\x1a\x45\xdf\xa3", Container("Matroska", ("matroska", "webm"))),  # RFC 8794
    (b"\x00\x00\x01\xba", Container("MPEG-PS", ("mpeg",))),  # ISO/IEC 13818-1
    (b"\x00\x00\x01\xb3", Container("MPEG video", ("mpegvideo",))),  # ISO/IEC 13818-2
    (b"fLaC", Container("FLAC", ("flac",))),  # RFC 9639
    (b"OggS", Container("Ogg", ("ogg",))),  # RFC 3533
    (b"caff", Container("CAF", ("caf",))),
    (_ASF, Container("ASF", ("asf",))),
    (_W64, Container("Wave64", ("w64",))),
    (b"FLV\x01", Container("FLV", ("flv",))),
    (b"ID3", Container("MPEG audio", ("mp3", "aac"))),
    (b"\x1f\x07\x00", Container("DV", ("dv",))),  # IEC 61834-2: header section of the first DIF sequence
    (b"\x1f\x07\x80", Container("DV", ("dv",))),
    (b"\xff\xd8\xff", Container("JPEG")),  # ISO/IEC 10918-1
    (b"\x89PNG\r\n\x1a\n", Container("PNG")),  # W3C PNG
    (b"II*\x00", Container("TIFF")),  # TIFF 6.0, and the raw photographs built on it
    (b"MM\x00*", Container("TIFF")),
    (b"II+\x00", Container("TIFF")),
    (b"MM\x00+", Container("TIFF")),
)


def container_of(file: BinaryIO) -> Container:
    """Like `sniff`. Raises MediaError, fit to stand behind "the file", when nothing on the list fits."""
    found = sniff(file)
    if found is not None:
        return found
    if os.fstat(file.fileno()).st_size == 0:
        raise MediaError("is empty (0 bytes)", remedy="See whether the card still holds more of it.")
    raise MediaError("is in no format this program reads", remedy="See whether its camera still plays it.")


def sniff(file: BinaryIO) -> Container | None:
    """The container `file` holds, or None for anything that is not on the list. Leaves it at the start.

    Raises OSError where the file can't be read.
    """
    file.seek(0)
    head = file.read(HEAD_BYTES)
    file.seek(0)
    for prefix, container in _PREFIXES:
        if head.startswith(prefix):
            return container
    return _by_inner_mark(head) or _by_sync(head)


def _by_inner_mark(head: bytes) -> Container | None:
    form, inner = head[:4], head[8:12]
    if form in (b"RIFF", b"RF64", b"BW64", b"RIFX") and inner == b"WAVE":  # EBU Tech 3285, ITU-R BS.2088
        return Container("Wave", ("wav",))
    if form == b"RIFF" and inner == b"AVI ":
        return Container("AVI", ("avi",))
    if form == b"RIFF" and inner == b"WEBP":
        return Container("WebP")
    if form == b"FORM" and inner in (b"AIFF", b"AIFC"):
        return Container("AIFF", ("aiff",))
    if head[4:8] in _FIRST_BOXES:
        if head[4:8] == b"ftyp" and inner in _STILL_BRANDS:
            return Container("HEIF")
        return Container("MPEG-4", ("mov", "mp4"))
    if _MXF_HEADER in head:
        return Container("MXF", ("mxf",))
    return None


def _by_sync(head: bytes) -> Container | None:
    for size, first in ((188, 0), (192, 4)):  # ISO/IEC 13818-1; 192: four bytes of arrival time before each
        marks = head[first : first + size * 5 : size]
        if len(marks) >= 2 and not marks.strip(b"\x47"):
            return Container("MPEG-TS", ("mpegts",))
    # ISO/IEC 11172-3 and 13818-7: eleven or twelve set bits, then a layer or a profile that exists.
    if len(head) > 4 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0 and head[2] & 0xF0 != 0xF0:
        return Container("MPEG audio", ("mp3", "aac"))
    return None
