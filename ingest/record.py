"""Write what happens during an offload into the catalogue, in short transactions between the copying."""

from __future__ import annotations

import os
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session

from ingest.copy import FileResult
from ingest.files import Entry
from ingest.plan import Place
from ingest.settle import Settled
from shared.catalogue.chunks import in_chunks
from shared.catalogue.reels import file_ids
from shared.db import Sessions, writing
from shared.models import Copy, CopyState, File, Offload, OffloadState
from shared.models.base import now

FLUSH_FILES = 500
FLUSH_SECONDS = 1.0


@dataclass(frozen=True, slots=True)
class OpenOffload:
    """The rows an offload writes below. `destinations`: row id by place number."""

    id: int
    reel_id: int
    algorithm: str
    destinations: tuple[int, ...]


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

    def left_over(self, results: Iterable[FileResult]) -> None:
        """Account for the files that no place answered for: unreadable ones among them."""
        self.flush()
        unanswered = (result for result in results if result.task.needs_reading and not result.at)
        for some in in_chunks(unanswered, FLUSH_FILES):
            with writing(self._sessions) as session:
                _update_files(session, some, self._file_ids(session, some))

    def doubt(self, results: Iterable[FileResult], problem: str) -> None:
        """Keep on record what is wrong with files that were read whole; their digests stand."""
        for some in in_chunks(results, FLUSH_FILES):
            with writing(self._sessions) as session:
                ids = self._file_ids(session, some).values()
                session.execute(update(File), [{"id": file_id, "problem": problem} for file_id in ids])

    def _write(self, session: Session, waiting: Sequence[tuple[FileResult, Settled]]) -> None:
        results = [result for result, _ in waiting]
        ids = self._file_ids(session, results)
        _update_files(session, results, ids)
        there = _copies_of(session, ids.values(), self._offload)
        fresh: list[dict[str, Any]] = []
        changed: list[dict[str, Any]] = []
        for result, settled in waiting:
            file_id = ids[result.task.entry.raw]
            destination_id = self._offload.destinations[settled.place]
            row = _copy_row(settled)
            copy_id = there.get((file_id, destination_id))
            if copy_id is None:
                if row["state"] is not None:
                    fresh.append({"file_id": file_id, "destination_id": destination_id, **row})
            elif row["state"] is not None:
                changed.append({"id": copy_id, **row})
            elif settled.place in result.task.write:
                # It should have been written and was not. One that was not looked at stands as known.
                changed.append({"id": copy_id, **row, "state": CopyState.MISSING})
        if fresh:
            session.execute(insert(Copy), fresh)
        if changed:
            session.execute(update(Copy), changed)

    def _file_ids(self, session: Session, results: Sequence[FileResult]) -> dict[bytes, int]:
        """The rows of these files: every one has a row since before it was read."""
        return file_ids(session, self._offload.reel_id, {result.task.entry.raw for result in results})


def _copies_of(session: Session, ids: Iterable[int], offload: OpenOffload) -> dict[tuple[int, int], int]:
    """The rows that these files have at the run's destinations, by file and destination."""
    rows = session.execute(
        select(Copy.file_id, Copy.destination_id, Copy.id).where(
            Copy.file_id.in_(list(ids)), Copy.destination_id.in_(offload.destinations)
        )
    )
    return {(file_id, destination_id): copy_id for file_id, destination_id, copy_id in rows}


def _update_files(session: Session, results: Sequence[FileResult], ids: Mapping[bytes, int]) -> None:
    """Fill in what has become known of files."""
    read, faulty = [], []
    for result in results:
        entry = result.task.entry
        row: dict[str, Any] = {"id": ids[entry.raw]}
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


def _copy_row(settled: Settled) -> dict[str, Any]:
    return {
        "state": settled.state,
        "verified_at": now() if settled.state is CopyState.VERIFIED else None,
        "mtime_ns": settled.mtime_ns,
        "problem": settled.error.message if settled.error is not None else None,
    }


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
