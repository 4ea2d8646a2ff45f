"""Leave an ASC MHL generation beside every copy of the reel that this run proved something of."""

from __future__ import annotations

import datetime as dt
import os

from ingest.card import JUNK_FILES, JUNK_FOLDERS
from ingest.copy import Copied, FileResult
from ingest.durable import Disk
from ingest.mhl import FileHash, FileRecord, append_generation
from ingest.orders import Problem
from ingest.plan import Place
from shared.errors import AppError
from shared.models import CopyState
from shared.names import xml_safe

HISTORY_FOLDER = "ascmhl"


def write_manifests(copied: Copied, disk: Disk, started: dt.datetime) -> tuple[Problem, ...]:
    """One generation at each place; returns what could not be written down, by name."""
    problems: list[Problem] = []
    for number, place in enumerate(copied.plan.places):
        proven = [result for result in copied.results if _proven(result, number)]
        if not proven:
            continue
        problems += _unwritable(proven, place)
        try:
            append_generation(
                disk,
                place.reel_root,
                (_record(result, copied.algorithm) for result in proven if _writable(result)),
                process="transfer",
                started_at=started,
                algorithm=copied.algorithm,
                complete=len(proven) == len(copied.results) and all(map(_writable, proven)),
                ignore=_junk_patterns(),
                empty_folders=(),
            )
        except AppError as error:
            problems.append(Problem("destination", error.path or place.shown, error.message, error.remedy))
        except OSError as error:
            problems.append(Problem("destination", place.shown, f"no hash list: {error.strerror}"))
    return tuple(problems)


def _proven(result: FileResult, place: int) -> bool:
    settled = result.at.get(place)
    return settled is not None and settled.state is CopyState.VERIFIED and result.digest is not None


def _writable(result: FileResult) -> bool:
    path = result.task.entry.path
    return xml_safe(os.fsencode(path)) is not None and HISTORY_FOLDER not in path.split("/")


def _unwritable(proven: list[FileResult], place: Place) -> list[Problem]:
    """Names that XML can't carry: copied, proven and in the catalogue, but not in the hash list."""
    return [
        Problem(
            "manifest",
            result.task.entry.shown,
            f"copied and proven at {place.shown}, but its name can't stand in a hash list",
            "The catalogue keeps its hash. Other programs will call the file unknown.",
        )
        for result in proven
        if xml_safe(result.task.entry.raw) is None
    ]


def _record(result: FileResult, algorithm: str) -> FileRecord:
    entry = result.task.entry
    assert result.digest is not None
    return FileRecord(
        path=entry.path,
        size=entry.size,
        mtime=dt.datetime.fromtimestamp(entry.mtime_ns // 1_000_000_000, dt.UTC),
        hashes=(FileHash(algorithm=algorithm, value=result.digest),),
    )


def _junk_patterns() -> tuple[str, ...]:
    return (*sorted(JUNK_FILES), *(f"{name}/" for name in sorted(JUNK_FOLDERS)), "*.partial")
