"""What a file is taken for by its name. Files with other suffixes are copied, but are no clips."""

from __future__ import annotations

from typing import Literal

Kind = Literal["video", "audio", "image", "sidecar"]

VIDEO = frozenset(
    b"mov mp4 m4v qt 3gp 3g2 mxf mts m2ts m2t ts tod mod avi mkv webm mpg mpeg m2v m2p vob wmv asf "
    b"flv f4v dv dif ogv gxf mj2 insv 360 lrv lrf r3d braw crm ari arx cine".split()
)
AUDIO = frozenset(
    b"wav bwf rf64 bw64 w64 flac mp3 m4a aac aif aiff aifc caf ogg oga opus mp2 ac3 wma".split()
)
IMAGE = frozenset(
    b"jpg jpeg jpe png tif tiff heic heif hif avif webp dpx exr "
    b"dng arw cr2 cr3 nef nrw orf raf rw2 pef srw erf 3fr iiq x3f".split()
)
SIDECAR = frozenset(b"xml srt vtt txt json xmp thm cpi csv gcsv cube lut".split())

# Suffixes that mark a low-resolution twin of a take.
PROXY = frozenset((b"lrv", b"lrf"))
# A photograph as the sensor saw it; a developed picture of the same name is made from it.
RAW_IMAGE = frozenset(b"dng arw cr2 cr3 nef nrw orf raf rw2 pef srw erf 3fr iiq x3f".split())


def suffix_of(name: bytes) -> bytes:
    """What follows the last dot, in lower case and without it; empty for `.hidden` and `plain`."""
    last = name.rsplit(b"/", 1)[-1]
    stem, dot, suffix = last.rpartition(b".")
    return suffix.lower() if dot and stem else b""


def kind_of(name: bytes) -> Kind | None:
    """Video, audio, image or sidecar by the suffix of a file name or path; None for anything else."""
    last = name.rsplit(b"/", 1)[-1]
    if last.startswith(b"._"):
        return None  # what some systems add beside a file on a foreign drive: no media in it
    suffix = suffix_of(last)
    if suffix in VIDEO:
        return "video"
    if suffix in AUDIO:
        return "audio"
    if suffix in IMAGE:
        return "image"
    return "sidecar" if suffix in SIDECAR else None
