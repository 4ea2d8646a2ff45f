"""How the copies of reels stand, counted in files."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from shared.catalogue.refusals import read_refusals
from shared.models import Copy, CopyState, Destination, File

__all__ = ["CopiesAt", "ReelCopies", "count_copies", "read_refusals"]


@dataclass(frozen=True, slots=True)
class CopiesAt:
    """One reel at one destination."""

    destination: str
    verified: int
    written: int
    differs: int
    missing: int


@dataclass(frozen=True, slots=True)
class ReelCopies:
    """One reel at all of them. `unreadable`: files the card did not give; `unread`: files that an offload
    found on the card and never came to read. Neither have a copy to count."""

    files: int
    bytes: int
    unreadable: int
    at: tuple[CopiesAt, ...]
    unread: int = 0


def count_copies(session: Session, reel_ids: Sequence[int]) -> dict[int, ReelCopies]:
    """For each of these reels. A file without a row at one of the reel's destinations is missing there."""
    files = {
        reel_id: (count, size or 0, failed, count - read - failed)
        for reel_id, count, size, read, failed in session.execute(
            select(
                File.reel_id,
                func.count(),
                func.sum(File.size),
                func.count(File.digest),
                func.count(case((File.digest.is_(None), File.problem))),
            )
            .where(File.reel_id.in_(reel_ids))
            .group_by(File.reel_id)
        )
    }
    names: dict[int, str] = {}
    states: dict[int, dict[int, dict[CopyState, int]]] = defaultdict(lambda: defaultdict(dict))
    rows = session.execute(
        select(File.reel_id, Destination.id, Destination.name, Destination.path, Copy.state, func.count())
        .join(File, File.id == Copy.file_id)
        .join(Destination, Destination.id == Copy.destination_id)
        .where(File.reel_id.in_(reel_ids))
        .group_by(File.reel_id, Destination.id, Destination.name, Destination.path, Copy.state)
        .order_by(File.reel_id, Destination.id)
    )
    for reel_id, destination_id, name, path, state, count in rows:
        names[destination_id] = name or path
        states[reel_id][destination_id][state] = count
    counted = {}
    for reel_id in reel_ids:
        count, size, unreadable, unread = files.get(reel_id, (0, 0, 0, 0))
        read = count - unreadable - unread
        at = (_copies_at(names[key], read, found) for key, found in states[reel_id].items())
        counted[reel_id] = ReelCopies(count, size, unreadable, tuple(at), unread)
    return counted


def _copies_at(destination: str, readable: int, states: dict[CopyState, int]) -> CopiesAt:
    without_row = max(0, readable - sum(states.values()))
    return CopiesAt(
        destination,
        verified=states.get(CopyState.VERIFIED, 0),
        written=states.get(CopyState.WRITTEN, 0),
        differs=states.get(CopyState.DIFFERS, 0),
        missing=states.get(CopyState.MISSING, 0) + without_row,
    )
