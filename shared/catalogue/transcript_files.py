"""Files of timed words, and the clips they are of: told by name, never guessed from what is said."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.naming import find_one_clip
from shared.catalogue.transcripts import transcripts_of
from shared.errors import AppError, NotFoundError, UsageError
from shared.models import Clip, ClipFile, File, FileRole, Production
from shared.names import display
from shared.transcripts.read import LARGEST

SUFFIXES = (".vtt", ".srt", ".txt", ".json")


@dataclass(frozen=True, slots=True)
class Matched:
    """A file and the clip it is of, with the part of it (0: the whole); or why it is of none."""

    path: Path
    clip: Clip | None = None
    part: int = 0
    problem: AppError | None = None


def list_files(places: Iterable[Path]) -> list[Path]:
    """Files as they were named, and of a folder those that may hold timed words, in order.

    Raises UsageError for what is not there, or a folder without one.
    """
    found: list[Path] = []
    for place in places:
        if not place.is_dir():
            found.append(place)
            continue
        try:
            inside = sorted(
                one for one in place.iterdir() if one.suffix.lower() in SUFFIXES and one.is_file()
            )
        except OSError as error:
            raise _unread(place, error) from error
        if not inside:
            raise UsageError(
                "no file of timed words in this folder",
                path=shown(place),
                remedy=f"Files that end in {', '.join(SUFFIXES)} are looked at.",
            )
        found += inside
    return found


def read_file(path: Path) -> bytes:
    """Raises UsageError for a file that can't be read, or is larger than any transcript."""
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
    except OSError as error:
        raise _unread(path, error) from error
    if len(content) > LARGEST:
        raise UsageError("too large for a transcript", path=shown(path), remedy="Is it the right file?")
    return content


def match_files(session: Session, production: Production, paths: Sequence[Path]) -> list[Matched]:
    """The clip of each file, by its name without suffix: the clip's own name or that of one of its files.

    A file named like a later part of a spanning clip is of that part. One named like the first is of the
    whole clip, unless another of the clip's parts has a transcript or a file here.
    """
    matched = [_match(session, production, path) for path in paths]
    in_parts = {one.clip.id for one in matched if one.clip is not None and one.part > 1}
    found = []
    for one in matched:
        if one.clip is not None and one.part == 1:
            parts = one.clip.id in in_parts or any(t.part for t in transcripts_of(session, one.clip.id))
            one = Matched(one.path, one.clip, 1 if parts else 0)
        found.append(one)
    return found


def _match(session: Session, production: Production, path: Path) -> Matched:
    stem = display(os.fsencode(path.stem))
    try:
        clip, name = _find(session, production, stem)
    except AppError as error:
        error.path = shown(path)
        if isinstance(error, NotFoundError):
            near = error.remedy if error.remedy and error.remedy.startswith("Did you mean") else ""
            error.remedy = f"{near} Name the file as the clip, or say which it is of: --clip.".strip()
        return Matched(path, problem=error)
    return Matched(path, clip, _part_named(session, clip, name))


def _find(session: Session, production: Production, stem: str) -> tuple[Clip, str]:
    """Also by what stands before the last dot: C0001.en.vtt, as files in several languages are named."""
    try:
        return find_one_clip(session, production, stem), stem
    except NotFoundError:
        shorter = stem.rpartition(".")[0]
        if not shorter:
            raise
        try:
            return find_one_clip(session, production, shorter), shorter
        except NotFoundError:
            pass
        raise


def _part_named(session: Session, clip: Clip, name: str) -> int:
    """Which of a spanning clip's files has this name; 0: it has one file, or none is called so."""
    rows = (
        select(File.path)
        .join(ClipFile, ClipFile.file_id == File.id)
        .where(ClipFile.clip_id == clip.id, ClipFile.role == FileRole.ESSENCE)
        .order_by(ClipFile.ordinal, ClipFile.id)
    )
    paths = [PurePosixPath(path) for path in session.scalars(rows)]
    if len(paths) < 2:
        return 0
    wanted = PurePosixPath(name).name.casefold()
    names = [{path.name.casefold(), path.stem.casefold()} for path in paths]
    return next((number for number, both in enumerate(names, 1) if wanted in both), 0)


def shown(path: Path) -> str:
    return display(os.fsencode(path))


def _unread(path: Path, error: OSError) -> UsageError:
    return UsageError(
        f"it can't be read: {error.strerror}",
        path=shown(path),
        remedy="Look whether it is there. Which clip a file is of says --clip.",
    )
