"""Reels: recognise a card that was offloaded before, name a new fill, remember what is proven."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Protocol

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session

from shared.catalogue.chunks import in_chunks
from shared.errors import ConflictError, UsageError
from shared.models import (
    Camera,
    Copy,
    CopyState,
    Destination,
    File,
    Offload,
    OffloadState,
    Production,
    Reel,
)
from shared.models.base import now
from shared.names import display, unportable

# FAT keeps times in steps of two seconds, so the same file may show two slightly different stamps.
SAME_TIME_NS = 2_000_000_000
NO_CAMERA = "R"
AT_A_TIME = 1000  # files of a card that are asked about in one statement
TURNED_AWAY = "turned_away"  # in an offload's report: it found another run at work and did nothing


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file as it stands on the card now."""

    size: int
    mtime_ns: int


class CardFiles(Protocol):
    """The files of a card by path. A mapping is one; so is what makes its items as they are asked for."""

    def __len__(self) -> int: ...
    def items(self) -> Iterable[tuple[bytes, FoundFile]]: ...


def same_file(found: FoundFile, size: int, mtime_ns: int) -> bool:
    """Whether size and time are those recorded. This says nothing of the bytes: only reading them does."""
    return found.size == size and abs(found.mtime_ns - mtime_ns) <= SAME_TIME_NS


def recognise(session: Session, production: Production, card: CardFiles) -> Reel | None:
    """The reel this card holds, if it was offloaded before, perhaps with more on it or some deleted.

    It is the same fill when at least one recorded file is there with its size and time and no
    recorded path has another size or time. One that has means a new fill, which is a new reel; but a
    file that was never read whole says nothing: it may have been growing.
    """
    if not len(card):
        return None
    sample = [path for path, _ in islice(card.items(), 0, None, max(1, len(card) // 50))][:60]
    newest_first = select(Reel).where(Reel.production_id == production.id).order_by(Reel.id.desc())
    touched = set(
        session.scalars(
            select(File.reel_id)
            .join(Reel, Reel.id == File.reel_id)
            .where(Reel.production_id == production.id, File.path_bytes.in_(sample))
            .distinct()
        )
    )
    touched |= _beginning_with(session, production, card)
    for reel in session.scalars(newest_first):
        if reel.id in touched and _fits(session, reel, card):
            return reel
    return None


def _beginning_with(session: Session, production: Production, card: CardFiles) -> set[int]:
    """The reels whose first path is on the card: a reel of which few files are left on it is found so."""
    firsts: dict[int, bytes] = {}
    for reel_id in session.scalars(select(Reel.id).where(Reel.production_id == production.id)):
        paths = select(File.path_bytes).where(File.reel_id == reel_id).order_by(File.path_bytes)
        first = session.scalar(paths.limit(1))
        if first is not None:
            firsts[reel_id] = first
    wanted = set(firsts.values())
    there = {path for path, _ in card.items() if path in wanted}
    return {reel_id for reel_id, path in firsts.items() if path in there}


def _fits(session: Session, reel: Reel, card: CardFiles) -> bool:
    shared_files = 0
    for some in in_chunks(card.items(), AT_A_TIME):
        found = dict(some)
        rows = session.execute(
            select(File.path_bytes, File.size, File.mtime_ns, File.digest).where(
                File.reel_id == reel.id, File.path_bytes.in_(found)
            )
        )
        for path, size, mtime_ns, digest in rows:
            if same_file(found[path], size, mtime_ns):
                shared_files += 1
            elif digest is not None:
                return False
    return shared_files > 0


def next_reel_name(session: Session, production: Production, camera: Camera | None) -> str:
    """The camera's letter and the next free number of three digits: A001, A002 …"""
    letter = camera.letter if camera is not None else NO_CAMERA
    highest = 0
    for name in session.scalars(select(Reel.name).where(Reel.production_id == production.id)):
        match = re.fullmatch(re.escape(letter) + r"([0-9]+)", name, re.IGNORECASE)
        if match:
            highest = max(highest, int(match[1]))
    return f"{letter}{highest + 1:03d}"


def check_reel_name(session: Session, production: Production, name: str) -> str:
    """A name for a new reel. Raises UsageError if it is no folder name, ConflictError if it was used."""
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}", name) or unportable(name.encode()):
        raise UsageError(
            f"{name!r} can't name a reel", remedy="Use letters, digits, - and _, such as A001 (32 at most)."
        )
    taken = session.scalar(
        select(Reel).where(Reel.production_id == production.id, func.lower(Reel.name) == name.lower())
    )
    if taken is not None:
        raise ConflictError(
            f"reel {taken.name} was filled already ({taken.created_at:%Y-%m-%d}) with other files",
            remedy="A reel's name is never used again. The next free one is chosen without --reel.",
        )
    return name


def find_destination(session: Session, path: str, name: str = "") -> Destination:
    """The destination at this absolute path, made if it is new."""
    found = session.scalar(select(Destination).where(Destination.path == path))
    if found is None:
        found = Destination(path=path, name=name)
        session.add(found)
        session.flush()
    elif name and found.name != name:
        found.name = name
    return found


def was_finished(session: Session, reel: Reel) -> bool:
    """Whether the reel's last offload went through to its end. One that was turned away says nothing."""
    rows = session.execute(
        select(Offload.state, Offload.report).where(Offload.reel_id == reel.id).order_by(Offload.id.desc())
    )
    for state, report in rows:
        if TURNED_AWAY not in report:
            return state is OffloadState.DONE
    return False


def expect_files(session: Session, offload: Offload, algorithm: str, card: CardFiles) -> None:
    """Put what the card holds on record before the first byte is read.

    A run that is killed at once, or a second one beside it, then finds the reel and makes no other.
    """
    for some in in_chunks(card.items(), AT_A_TIME):
        recorded = file_ids(session, offload.reel_id, [path for path, _ in some])
        rows = [
            {
                "reel_id": offload.reel_id,
                "offload_id": offload.id,
                "path": display(path),
                "path_bytes": path,
                "size": found.size,
                "mtime_ns": found.mtime_ns,
                "algorithm": algorithm,
            }
            for path, found in some
            if path not in recorded
        ]
        if rows:
            session.execute(insert(File), rows)


def file_ids(session: Session, reel_id: int, paths: Iterable[bytes]) -> dict[bytes, int]:
    """The row of each of these files of a reel that has one; some thousands of paths at most."""
    rows = session.execute(
        select(File.path_bytes, File.id).where(File.reel_id == reel_id, File.path_bytes.in_(list(paths)))
    )
    return {row.path_bytes: row.id for row in rows}


@dataclass(frozen=True, slots=True)
class RecordedCopy:
    destination: str
    state: CopyState
    mtime_ns: int | None


@dataclass(slots=True)
class RecordedFile:
    id: int
    path: bytes
    size: int
    mtime_ns: int
    digest: str | None
    problem: str | None
    copies: list[RecordedCopy]


def recorded_files(session: Session, reel_id: int, paths: Sequence[bytes]) -> dict[bytes, RecordedFile]:
    """What is recorded of these files of a reel, with their copies, by path; a thousand or so at a time."""
    files = {
        row.id: RecordedFile(row.id, row.path_bytes, row.size, row.mtime_ns, row.digest, row.problem, [])
        for row in session.execute(
            select(File.id, File.path_bytes, File.size, File.mtime_ns, File.digest, File.problem).where(
                File.reel_id == reel_id, File.path_bytes.in_(paths)
            )
        )
    }
    rows = session.execute(
        select(Copy.file_id, Destination.path, Copy.state, Copy.mtime_ns)
        .join(Destination, Destination.id == Copy.destination_id)
        .where(Copy.file_id.in_(files))
        .order_by(Copy.id)
    )
    for file_id, path, state, mtime_ns in rows:
        files[file_id].copies.append(RecordedCopy(path, state, mtime_ns))
    return {file.path: file for file in files.values()}


def recorded_paths(session: Session, reel_id: int) -> Iterator[bytes]:
    """The paths of all files of a reel, as they are asked for."""
    yield from session.scalars(
        select(File.path_bytes).where(File.reel_id == reel_id).execution_options(yield_per=AT_A_TIME)
    )


def close_dead_offloads(session: Session, reel_id: int, running: int) -> None:
    """An offload still `running` beside the one that holds the reel was killed: say so."""
    session.execute(
        update(Offload)
        .where(Offload.reel_id == reel_id, Offload.state == OffloadState.RUNNING, Offload.id != running)
        .values(state=OffloadState.FAILED, ended_at=now())
    )


def reel_folder(production: Production, date: dt.date, reel_name: str) -> str:
    """Where a reel goes below a destination: production, shooting date, reel."""
    return f"{production.slug}/{date.isoformat()}/{reel_name}"
