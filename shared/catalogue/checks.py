"""What a check of copies asks of the catalogue, and what it writes there: in pages, never a reel at once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from sqlalchemy import case, func, select, update
from sqlalchemy.orm import Session

from shared.models import Copy, CopyState, Destination, File, Reel

BAD = (CopyState.DIFFERS, CopyState.MISSING)
_ROWS = 1000  # fetched from the database at a time


@dataclass(frozen=True, slots=True)
class Holding:
    """A reel at one destination. `folder`: of the reel, below the destination's `root`, an absolute path;
    `files` and `bytes` are those recorded as copied there."""

    reel_id: int
    reel: str
    folder: str
    algorithm: str
    destination_id: int
    root: str
    name: str
    files: int
    bytes: int

    @property
    def key(self) -> tuple[int, int]:
        return self.reel_id, self.destination_id


def holdings(session: Session, *, production_id: int | None = None) -> list[Holding]:
    """Every reel at every destination that has a copy of a file of it, of one production or of all."""
    statement = (
        select(
            Reel.id,
            Reel.name,
            Reel.folder,
            Reel.algorithm,
            Destination.id,
            Destination.path,
            Destination.name,
            func.count(),
            func.sum(File.size),
        )
        .select_from(Copy)
        .join(File, File.id == Copy.file_id)
        .join(Reel, Reel.id == File.reel_id)
        .join(Destination, Destination.id == Copy.destination_id)
        .group_by(Reel.id, Destination.id)
        .order_by(Destination.id, Reel.id)
    )
    if production_id is not None:
        statement = statement.where(Reel.production_id == production_id)
    return [Holding(*row[:8], bytes=int(row[8])) for row in session.execute(statement)]


def files_by_reel(session: Session) -> dict[int, int]:
    """How many files of each reel were read whole, and so should have a copy at each destination."""
    rows = session.execute(
        select(File.reel_id, func.count()).where(File.digest.is_not(None)).group_by(File.reel_id)
    )
    return {row[0]: row[1] for row in rows}


@dataclass(frozen=True, slots=True)
class DueCopy:
    """A copy that is to be checked, and the holding it belongs to."""

    copy_id: int
    reel_id: int
    destination_id: int


def copies_due(
    session: Session,
    reel_ids: Collection[int],
    destination_ids: Collection[int],
    *,
    oldest: bool,
    bad_first: bool,
) -> Iterator[DueCopy]:
    """Copies in the order in which they are to be checked: by holding and path, as they lie on a drive; with
    `oldest` what was least recently proven first. Copies known to be bad come last then, as reading them
    again tells nothing new, or first where they are to be repaired.
    """
    statement = (
        select(Copy.id, File.reel_id, Copy.destination_id)
        .join(File, File.id == Copy.file_id)
        .where(File.reel_id.in_(reel_ids), Copy.destination_id.in_(destination_ids))
    )
    in_place = (Copy.destination_id, File.reel_id, File.path_bytes)
    if oldest:
        bad, good = (0, 1) if bad_first else (1, 0)
        bad_ones = case((Copy.state.in_(BAD), bad), else_=good)
        statement = statement.order_by(bad_ones, Copy.verified_at.asc().nulls_first(), *in_place)
    else:
        statement = statement.order_by(*in_place)
    for row in session.execute(statement.execution_options(yield_per=_ROWS)):
        yield DueCopy(*row)


@dataclass(frozen=True, slots=True)
class CopyRecord:
    """What the catalogue says of one copy: its file's path as the card has it, size in bytes, hash."""

    copy_id: int
    path: bytes
    size: int
    algorithm: str
    digest: str | None


def recorded_of(session: Session, copy_ids: Sequence[int]) -> list[CopyRecord]:
    """The records of these copies, in the order asked for. Some hundreds at a time."""
    rows = session.execute(
        select(Copy.id, File.path_bytes, File.size, File.algorithm, File.digest)
        .join(File, File.id == Copy.file_id)
        .where(Copy.id.in_(copy_ids))
    )
    found = {row[0]: CopyRecord(*row) for row in rows}
    return [found[copy_id] for copy_id in copy_ids if copy_id in found]


def recorded_paths(session: Session, reel_id: int, after: bytes, limit: int) -> list[bytes]:
    """The next paths of a reel's files, in the order of their bytes."""
    return list(
        session.scalars(
            select(File.path_bytes)
            .where(File.reel_id == reel_id, File.path_bytes > after)
            .order_by(File.path_bytes)
            .limit(limit)
        )
    )


def is_recorded(session: Session, reel_id: int, path: bytes) -> bool:
    """Whether a reel has a file of this path."""
    found = select(File.id).where(File.reel_id == reel_id, File.path_bytes == path)
    return session.scalar(found) is not None


def missing_with(
    session: Session, reel_id: int, destination_id: int, *, size: int, algorithm: str, digest: str
) -> list[int]:
    """Missing copies of a holding whose file had this size and hash, by path."""
    return list(
        session.scalars(
            select(Copy.id)
            .join(File, File.id == Copy.file_id)
            .where(
                File.digest == digest,
                File.algorithm == algorithm,
                File.size == size,
                File.reel_id == reel_id,
                Copy.destination_id == destination_id,
                Copy.state == CopyState.MISSING,
            )
            .order_by(File.path_bytes)
        )
    )


@dataclass(frozen=True, slots=True)
class CopyOutcome:
    """What a check found of one copy. `state` None: what was known of it stands, but for the problem."""

    copy_id: int
    state: CopyState | None
    problem: str | None = None
    mtime_ns: int | None = None
    checked_at: dt.datetime | None = None


def write_outcomes(session: Session, outcomes: Sequence[CopyOutcome]) -> None:
    """A proven copy gets the date and the time stamp it was proven with. For every other one, the date of its
    last proof stands: it says how long ago the copy was known to be good.
    """
    proven = [
        {
            "id": one.copy_id,
            "state": one.state,
            "verified_at": one.checked_at,
            "mtime_ns": one.mtime_ns,
            "problem": None,
        }
        for one in outcomes
        if one.state is CopyState.VERIFIED
    ]
    bad = [
        {"id": one.copy_id, "state": one.state, "problem": one.problem}
        for one in outcomes
        if one.state not in (None, CopyState.VERIFIED)
    ]
    told = [{"id": one.copy_id, "problem": one.problem} for one in outcomes if one.state is None]
    for rows in (proven, bad, told):
        if rows:
            session.execute(update(Copy), rows)


@dataclass(frozen=True, slots=True)
class OtherCopy:
    """Another copy of a file. `root`: its destination's absolute path."""

    copy_id: int
    root: str
    state: CopyState


@dataclass(frozen=True, slots=True)
class FileToRepair:
    """A file with a bad copy. `path` as the card has it, `folder` that of its reel below each destination;
    `others`: its copies elsewhere, those that were proven first and, of these, the latest."""

    path: bytes
    folder: str
    size: int
    mtime_ns: int
    algorithm: str
    digest: str
    others: tuple[OtherCopy, ...]


def file_to_repair(session: Session, copy_id: int) -> FileToRepair | None:
    """The file of a copy and where else it is; None when its hash was never known."""
    row = session.execute(
        select(File.id, File.path_bytes, Reel.folder, File.size, File.mtime_ns, File.algorithm, File.digest)
        .join(Copy, Copy.file_id == File.id)
        .join(Reel, Reel.id == File.reel_id)
        .where(Copy.id == copy_id)
    ).one_or_none()
    if row is None or row.digest is None:
        return None
    others = session.execute(
        select(Copy.id, Destination.path, Copy.state)
        .join(Destination, Destination.id == Copy.destination_id)
        .where(Copy.file_id == row.id, Copy.id != copy_id)
        .order_by(
            case((Copy.state == CopyState.VERIFIED, 0), else_=1),
            Copy.verified_at.desc().nulls_last(),
            Copy.id,
        )
    )
    return FileToRepair(
        row.path_bytes,
        row.folder,
        row.size,
        row.mtime_ns,
        row.algorithm,
        row.digest,
        tuple(OtherCopy(*other) for other in others),
    )
