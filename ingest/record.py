"""Write what happens during an offload into the catalogue, in short transactions between the copying."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import insert, update
from sqlalchemy.orm import Session

from ingest.card import Entry
from ingest.copy import FileResult
from ingest.plan import Place
from ingest.settle import Settled
from shared.db import Sessions, writing
from shared.models import Copy, CopyState, File, Offload, OffloadState
from shared.models.base import now

FLUSH_FILES = 500
FLUSH_SECONDS = 1.0


@dataclass(frozen=True, slots=True)
class OpenOffload:
    """The rows an offload writes below. `destinations`: row id by place number; `file_ids`: of every file
    on the card; `copy_ids`: rows that an earlier offload of the reel left."""

    id: int
    reel_id: int
    algorithm: str
    destinations: tuple[int, ...]
    file_ids: dict[bytes, int] = field(default_factory=dict)
    copy_ids: set[tuple[int, int]] = field(default_factory=set)


class Recorder:
    """Collects results and writes them in batches: a commit a file would cost more than the copy."""

    def __init__(self, sessions: Sessions, offload: OpenOffload) -> None:
        self._sessions = sessions
        self._offload = offload
        self._waiting: list[tuple[FileResult, Settled]] = []
        self._last = time.monotonic()

    def settled(self, result: FileResult, settled: Settled) -> None:
        """Take one place's answer for one file; written to the catalogue within about a second."""
        self._waiting.append((result, settled))
        if len(self._waiting) >= FLUSH_FILES or time.monotonic() - self._last >= FLUSH_SECONDS:
            self.flush()

    def flush(self) -> None:
        if self._waiting:
            with writing(self._sessions) as session:
                self._write(session, self._waiting)
            self._waiting = []
        self._last = time.monotonic()

    def left_over(self, results: Sequence[FileResult]) -> None:
        """Account for the files that no place answered for: unreadable ones among them."""
        self.flush()
        with writing(self._sessions) as session:
            _update_files(session, self._offload, [r for r in results if r.task.needs_reading and not r.at])

    def doubt(self, results: Sequence[FileResult], problem: str) -> None:
        """Keep on record what is wrong with files that were read whole; their digests stand."""
        ids = [self._offload.file_ids[result.task.entry.raw] for result in results]
        rows = [{"id": file_id, "problem": problem} for file_id in ids]
        if rows:
            with writing(self._sessions) as session:
                session.execute(update(File), rows)

    def _write(self, session: Session, waiting: Sequence[tuple[FileResult, Settled]]) -> None:
        _update_files(session, self._offload, [result for result, _ in waiting])
        fresh: list[dict[str, Any]] = []
        for result, settled in waiting:
            file_id = self._offload.file_ids[result.task.entry.raw]
            destination_id = self._offload.destinations[settled.place]
            row = _copy_row(result, settled)
            key = (file_id, destination_id)
            if key in self._offload.copy_ids:
                _change_copy(session, key, row, settled)
            elif row["state"] is not None:
                self._offload.copy_ids.add(key)
                fresh.append({"file_id": file_id, "destination_id": destination_id, **row})
        if fresh:
            session.execute(insert(Copy), fresh)


def _update_files(session: Session, offload: OpenOffload, results: Sequence[FileResult]) -> None:
    """Fill in what has become known of files: every one has a row since before it was read."""
    read, faulty = [], []
    for result in results:
        entry = result.task.entry
        row: dict[str, Any] = {"id": offload.file_ids[entry.raw]}
        if result.error is not None:
            faulty.append({**row, "problem": result.error.message})
        elif result.digest is not None:
            # Size and time as they were when it was read: the listing before may have seen it growing, and
            # a file that reads as it did under another time stamp is the same file.
            row.update(digest=result.digest, problem=None, size=entry.size, mtime_ns=entry.mtime_ns)
            read.append(row)
    for rows in (read, faulty):
        if rows:
            session.execute(update(File), rows)


def _copy_row(result: FileResult, settled: Settled) -> dict[str, Any]:
    return {
        "state": settled.state,
        "verified_at": now() if settled.state is CopyState.VERIFIED else None,
        "mtime_ns": settled.mtime_ns,
        "problem": settled.error.message if settled.error is not None else None,
    }


def _change_copy(session: Session, key: tuple[int, int], row: dict[str, Any], settled: Settled) -> None:
    """A copy with a row from before. One that should have been written and was not is missing now."""
    if row["state"] is None:
        if settled.place not in settled.item.task.write:
            return  # it was not looked at: what was known of it stands
        row = {**row, "state": CopyState.MISSING}
    session.execute(update(Copy).where(Copy.file_id == key[0], Copy.destination_id == key[1]).values(**row))


def close_offload(
    sessions: Sessions,
    offload: OpenOffload,
    *,
    state: OffloadState,
    bytes_read: int,
    bytes_written: int,
    report: Mapping[str, Any],
) -> None:
    """Write the run's end and its report."""
    with writing(sessions) as session:
        session.execute(
            update(Offload)
            .where(Offload.id == offload.id)
            .values(
                state=state,
                ended_at=now(),
                bytes_read=bytes_read,
                bytes_written=bytes_written,
                report=dict(report),
            )
        )


def copy_path(place: Place, entry: Entry) -> Path:
    """Where a copy stands under its final name."""
    return place.reel_root / Path(os.fsdecode(entry.raw))
