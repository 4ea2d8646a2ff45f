"""One media file, from first byte to stills. Runs in the child process; whatever fails is a finding."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import av
from PIL import Image

from ingest.media.complete import complete
from ingest.media.facts import FAULT, WARNING, Described, Facts, Noticed, StillTaken
from ingest.media.kinds import kind_of
from ingest.media.limits import no_new_files, open_media
from ingest.media.opened import opened
from ingest.media.photographs import exif_facts
from ingest.media.probe import facts_of
from ingest.media.sidecar import read_sidecar
from ingest.media.sniff import container_of
from ingest.media.stills import take_stills, write_placeholder
from ingest.media.wave import complete_wave
from shared.errors import MediaError

# What parsers of third parties raise on broken input, besides what their callers turn into MediaError.
PARSER_ERRORS = (
    *(av.FFmpegError, Image.DecompressionBombError, ValueError, TypeError, LookupError, ArithmeticError),
    *(AttributeError, AssertionError, RuntimeError, OSError),
)


def describe(
    path: Path,
    into: Path,
    stem: str,
    count: int,
    width: int,
    tell: Callable[[Described], None],
    *,
    careful: bool = False,
) -> Described:
    """Facts and stills of `path`; `tell` hears the facts before the stills are begun.

    `careful`: without MediaInfo, which this file has hung or brought down before. Raises MemoryError alone:
    after that the process is in doubt.
    """
    if kind_of(os.fsencode(path)) == "sidecar":
        return Described(*_sidecar(path))  # no picture is drawn of it
    facts, noticed = read(path, careful=careful)
    tell(Described(facts, (), tuple(noticed)))
    try:
        if facts is None:
            stills = [write_placeholder(path, noticed[0].message, into, stem, width)]
        else:
            try:
                stills, found = take_stills(path, facts, into, stem, count, width)
                noticed += found
            except PARSER_ERRORS as error:
                if isinstance(error, OSError) and error.filename is not None:
                    raise  # a still that can't be written: no fault of the media
                noticed.append(_unreadable(f"No still could be taken: {type(error).__name__}: {error}"))
                stills = [write_placeholder(path, noticed[-1].message, into, stem, width)]
    except OSError as error:
        said = f"The stills could not be written to {into}: {error.strerror or error}."
        return Described(facts, (), (*noticed, Noticed("still-unwritten", WARNING, said)))
    return Described(facts, tuple(stills), tuple(noticed))


def _sidecar(path: Path) -> tuple[Facts | None, tuple[StillTaken, ...], tuple[Noticed, ...]]:
    facts, noticed = read_sidecar(path)
    return facts, (), tuple(noticed)


def read(path: Path, *, careful: bool = False) -> tuple[Facts | None, list[Noticed]]:
    """The facts of `path` by MediaInfo, FFmpeg and Exif together. None, and why, when none could be read."""
    try:
        with open_media(path) as file:
            container = container_of(file)
            try:
                if careful:
                    raise MediaError("MediaInfo could not read it")
                facts, noticed = facts_of(file)
            except (MediaError, *PARSER_ERRORS) as error:
                facts, noticed = Facts(container=container.name), [_without_mediainfo(error)]
            with no_new_files():
                if container.name == "Wave":
                    facts, noticed = complete_wave(file, facts, noticed)
                if container.is_picture:
                    return exif_facts(file, facts), noticed
                try:
                    with opened(file) as source:
                        facts, found = complete(facts, source)
                except (MediaError, *PARSER_ERRORS):
                    return facts, noticed  # said again, and better, when the stills are taken
            return facts, [*noticed, *found]
    except MediaError as error:
        return None, [_unreadable(f"The file {error.message}.")]
    except PARSER_ERRORS as error:
        return None, [_unreadable(f"The file can't be read: {type(error).__name__}: {error}")]


def _unreadable(message: str) -> Noticed:
    return Noticed("media-unreadable", FAULT, message, rule="A take that was recorded whole can be read.")


def _without_mediainfo(error: Exception) -> Noticed:
    return Noticed(
        "facts-incomplete",
        WARNING,
        f"Only some facts could be read: {error}. Timecode and dates may be missing.",
        rule="A sound file is read by two parsers.",
    )
