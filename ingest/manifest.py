"""Leave an ASC MHL generation beside every copy of the reel that this run proved something of."""

from __future__ import annotations

import datetime as dt
import os

from ingest.card import UNLISTED
from ingest.copy import Copied, FileResult
from ingest.durable import Disk
from ingest.mhl import FileHash, FileRecord, append_generation, utc_from_ns, why_unrecordable
from ingest.orders import Problem
from ingest.plan import Place
from shared.errors import AppError
from shared.models import CopyState
from shared.names import display

HISTORY_FOLDER = "ascmhl"


def write_manifests(copied: Copied, disk: Disk, started: dt.datetime) -> tuple[Problem, ...]:
    """One generation at each place; returns what could not be written down, by name."""
    problems: list[Problem] = []
    for number, place in enumerate(copied.plan.places):
        proven = [result for result in copied.results if _proven(result, number)]
        if not proven:
            continue
        recorded = [result for result in proven if not _is_history(result)]
        unwritable = [result for result in recorded if _why_not(result) is not None]
        problems += [_unwritable(result, place) for result in unwritable]
        ignored: list[str] = []
        all_recorded = sum(not _is_history(result) for result in copied.results)
        try:
            append_generation(
                disk,
                place.reel_root,
                (_record(result, copied.algorithm) for result in recorded if _why_not(result) is None),
                process="transfer",
                started_at=started,
                algorithm=copied.algorithm,
                complete=len(recorded) == all_recorded and not unwritable,
                ignore=UNLISTED,
                empty_folders=copied.plan.listing.empty_folders,
                on_ignored=ignored.append,
            )
        except AppError as error:
            problems.append(Problem("destination", error.path or place.shown, error.message, error.remedy))
        except OSError as error:
            problems.append(Problem("destination", place.shown, f"no hash list: {error.strerror}"))
        problems += [_ignored(path, place) for path in ignored]
    return tuple(problems)


def _proven(result: FileResult, place: int) -> bool:
    settled = result.at.get(place)
    return settled is not None and settled.state is CopyState.VERIFIED and result.digest is not None


def _is_history(result: FileResult) -> bool:
    """Hash lists that came on the card are copied like any file, and never listed in a hash list."""
    return HISTORY_FOLDER in result.task.entry.path.split("/")[:-1]


def _why_not(result: FileResult) -> str | None:
    return why_unrecordable(result.task.entry.path)


def _unwritable(result: FileResult, place: Place) -> Problem:
    """A name that a hash list can't carry: copied, proven and in the catalogue all the same."""
    return Problem(
        "manifest",
        result.task.entry.shown,
        f"copied and proven at {place.shown}, but it can't stand in a hash list: {_why_not(result)}",
        "The catalogue keeps its hash. Other programs will call the file unknown.",
    )


def _ignored(path: str, place: Place) -> Problem:
    return Problem(
        "manifest",
        display(os.fsencode(path)),
        f"copied and proven at {place.shown}, but the hash list's ignore patterns leave it out",
        "The catalogue keeps its hash.",
    )


def _record(result: FileResult, algorithm: str) -> FileRecord:
    entry = result.task.entry
    assert result.digest is not None
    return FileRecord(
        path=entry.path,
        size=entry.size,
        mtime=utc_from_ns(entry.mtime_ns),
        hashes=(FileHash(algorithm=algorithm, value=result.digest),),
    )
