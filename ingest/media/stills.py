"""Take the stills of one media file, whatever it is, and write them. Runs in the child process.

Something is always written: frames of a clip, a photograph, a drawn waveform, or a panel that says why
there is nothing to show.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from PIL import Image

from ingest.media.drawing import draw_placeholder, draw_waveform
from ingest.media.facts import FAULT, FRAME, PLACEHOLDER, WARNING, WAVEFORM, Facts, Noticed, StillTaken
from ingest.media.frames import Shot, take_frames
from ingest.media.limits import no_new_files, open_media, view_of
from ingest.media.opened import opened, picture_stream
from ingest.media.photographs import take_photograph
from ingest.media.sniff import container_of
from ingest.media.waveform import Waveform, take_waveform
from shared.errors import MediaError
from shared.names import display

QUALITY = 82


@dataclass(frozen=True, slots=True)
class _Taken:
    """What came out of a file: pictures, or a waveform, or neither and the reason."""

    shots: Sequence[Shot] = ()
    waveform: Waveform | None = None
    reason: str = ""


def take_stills(
    path: Path, facts: Facts, into: Path, stem: str, count: int, width: int
) -> tuple[list[StillTaken], list[Noticed]]:
    """Write up to `count` JPEG stills of `path` into `into` as `stem-0.jpg`, `stem-1.jpg`, …

    They are at most `width` pixels wide. What is wrong with the file comes back as findings, never as an
    error; OSError is raised only when a still can't be written.
    """
    noticed: list[Noticed] = []
    try:
        with open_media(path) as file, no_new_files():
            taken, noticed = _take(file, facts, count, width)
    except MediaError as error:
        taken = _Taken(reason=f"The file {error.message}.")
        noticed.append(Noticed("no-picture", FAULT, f"No still could be taken: the file {error.message}."))
    pictures = _drawn(taken, display(os.fsencode(path.name)), width)
    into.mkdir(parents=True, exist_ok=True)
    return [
        _write(image, into, stem, ordinal, kind, frame)
        for ordinal, (image, kind, frame) in enumerate(pictures)
    ], noticed


def write_placeholder(path: Path, reason: str, into: Path, stem: str, width: int) -> StillTaken:
    """Write the panel of a file that shows nothing. Raises OSError when it can't be written."""
    image = draw_placeholder(display(os.fsencode(path.name)), reason, width)
    into.mkdir(parents=True, exist_ok=True)
    return _write(image, into, stem, 0, PLACEHOLDER, None)


def _take(file: BinaryIO, facts: Facts, count: int, width: int) -> tuple[_Taken, list[Noticed]]:
    if container_of(file).is_picture:
        return _take_photograph(file, width)
    with opened(file) as source:
        stream = picture_stream(source)
        if stream is not None:
            size = os.fstat(file.fileno()).st_size
            shots, noticed = take_frames(
                source, stream, facts, size, count, width, lambda: opened(view_of(file))
            )
            return _Taken(shots, reason="No picture of this clip could be decoded."), noticed
        if source.streams.audio:
            waveform, noticed = take_waveform(source, facts, width)
            return _Taken(waveform=waveform, reason="No sample of this sound could be decoded."), noticed
    raise MediaError("holds neither pictures nor sound")


def _take_photograph(file: BinaryIO, width: int) -> tuple[_Taken, list[Noticed]]:
    try:
        return _Taken([Shot(0, take_photograph(file, width))]), []
    except MediaError as error:
        # A raw photograph is sound for all that; only this program can't develop it.
        said = f"No still could be taken: the file {error.message}."
        return _Taken(reason=f"The file {error.message}."), [Noticed("no-picture", WARNING, said)]


def _drawn(taken: _Taken, name: str, width: int) -> list[tuple[Image.Image, str, int | None]]:
    if taken.shots:
        return [(shot.image, FRAME, shot.frame) for shot in taken.shots]
    if taken.waveform is not None:
        wave = taken.waveform
        return [(draw_waveform(wave.lows, wave.highs, wave.caption, width), WAVEFORM, None)]
    return [(draw_placeholder(name, taken.reason, width), PLACEHOLDER, None)]


def _write(
    image: Image.Image, into: Path, stem: str, ordinal: int, kind: str, frame: int | None
) -> StillTaken:
    """Write under a temporary name, then rename: a still is whole or absent. No sync: it can be retaken."""
    name = f"{stem}-{ordinal}.jpg"
    partial = into / f".{name}.partial"
    try:
        image.save(partial, "JPEG", quality=QUALITY)
        partial.replace(into / name)
    finally:
        partial.unlink(missing_ok=True)
    return StillTaken(ordinal, kind, frame, name, image.width, image.height)
