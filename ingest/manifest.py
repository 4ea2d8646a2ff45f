"""Leave an ASC MHL generation beside every copy of the reel that this run proved something of."""

from __future__ import annotations

import datetime as dt
import os
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from ingest.card import UNLISTED
from ingest.card_history import Digests
from ingest.check.read_back import read_back, read_buffer
from ingest.copy import Copied, FileResult
from ingest.durable import Disk
from ingest.folders import open_below
from ingest.mhl import FileHash, FileRecord, append_generation, utc_from_ns, why_unrecordable
from ingest.orders import Problem
from shared.errors import AppError
from shared.models import CopyState
from shared.names import display

HISTORY_FOLDER = "ascmhl"
IGNORED = "the hash list's ignore patterns leave it out"


@dataclass(frozen=True, slots=True)
class Written:
    """`problems`: what could not be written down, by name; `others`: hashes that were taken beside the run's
    own, by path and algorithm, as an existing history has those alone."""

    problems: tuple[Problem, ...]
    others: Digests


def write_manifests(copied: Copied, disk: Disk, started: dt.datetime) -> Written:
    """One generation at each place."""
    problems: list[Problem] = []
    others: dict[str, dict[str, str]] = defaultdict(dict)
    untold: dict[tuple[str, str], list[str]] = defaultdict(list)  # path and reason → places
    for number, place in enumerate(copied.plan.places):
        ahead = _look_ahead(copied, number)
        if not ahead.proven:
            continue
        for result in ahead.unwritable:
            untold[result.task.entry.shown, _unwritable(result)].append(place.shown)
        ignored: list[str] = []
        try:
            append_generation(
                disk,
                place.reel_root,
                _records(copied, number),
                process="transfer",
                started_at=started,
                algorithm=copied.algorithm,
                complete=ahead.proven == ahead.on_card and not ahead.unwritable,
                ignore=UNLISTED,
                empty_folders=copied.plan.listing.empty_folders,
                on_ignored=ignored.append,
                more_hashes=_Rereader(disk, copied, number, others).hash_of,
            )
        except AppError as error:
            problems.append(Problem("destination", error.path or place.shown, error.message, error.remedy))
        except OSError as error:
            problems.append(Problem("destination", place.shown, f"no hash list: {error.strerror}"))
        for path in ignored:
            untold[display(os.fsencode(path)), IGNORED].append(place.shown)
    problems += [_untold(path, why, places) for (path, why), places in untold.items()]
    return Written(tuple(problems), others)


@dataclass(frozen=True, slots=True)
class _Ahead:
    """What a hash list is going to hold, in numbers of files; `unwritable` are proven and can't be in it."""

    on_card: int
    proven: int
    unwritable: tuple[FileResult, ...]


def _look_ahead(copied: Copied, place: int) -> _Ahead:
    on_card = proven = 0
    unwritable = []
    for result in copied.results:
        if _is_history(result):
            continue
        on_card += 1
        if _proven(result, place):
            proven += 1
            if _why_not(result) is not None:
                unwritable.append(result)
    return _Ahead(on_card, proven, tuple(unwritable))


class _Rereader:
    """Takes another hash of proven copies. What it found at one place serves for all: they are equal."""

    def __init__(self, disk: Disk, copied: Copied, number: int, found: dict[str, dict[str, str]]) -> None:
        self._disk, self._copied, self._number, self._found = disk, copied, number, found
        self._place, self._algorithm = copied.plan.places[number], copied.algorithm

    @cached_property
    def _digests(self) -> dict[str, str | None]:
        """Gathered when it is first asked for: only a history without the run's hash has a need of it."""
        proven = (result for result in self._copied.results if _proven(result, self._number))
        return {result.task.entry.path: result.digest for result in proven}

    def hash_of(self, path: str, algorithm: str) -> str | None:
        """None: the copy could not be read again, or is not what was proven any more. Raises OSError."""
        if algorithm not in self._found[path]:
            folder, _, name = path.rpartition("/")
            handle = open_below(self._disk, self._place.root, self._place.below(folder), make=False)
            memory = read_buffer()
            try:
                with memoryview(memory) as buffer:
                    read = read_back(self._disk, name, handle, (self._algorithm, algorithm), buffer)
            finally:
                memory.close()
                os.close(handle)
            if read is None or read.hashes[self._algorithm] != self._digests[path]:
                return None
            self._found[path][algorithm] = read.hashes[algorithm]
        return self._found[path][algorithm]


def _proven(result: FileResult, place: int) -> bool:
    settled = result.at.get(place)
    return settled is not None and settled.state is CopyState.VERIFIED and result.digest is not None


def _is_history(result: FileResult) -> bool:
    """Hash lists that came on the card are copied like any file, and never listed in a hash list."""
    return HISTORY_FOLDER in result.task.entry.path.split("/")[:-1]


def _why_not(result: FileResult) -> str | None:
    return why_unrecordable(result.task.entry.path)


def _unwritable(result: FileResult) -> str:
    return f"it can't stand in a hash list: {_why_not(result)}"


def _untold(path: str, why: str, places: Sequence[str]) -> Problem:
    """A file that a hash list leaves out: copied, proven and in the catalogue all the same."""
    return Problem(
        "manifest",
        path,
        f"copied and proven at {' and '.join(places)}, but {why}",
        "The catalogue keeps its hash. Other programs will call the file unknown.",
    )


def _records(copied: Copied, place: int) -> Iterator[FileRecord]:
    """What the hash list at one place says of each file."""
    for result in copied.results:
        if _proven(result, place) and not _is_history(result) and _why_not(result) is None:
            yield _record(result, copied.algorithm)


def _record(result: FileResult, algorithm: str) -> FileRecord:
    entry = result.task.entry
    assert result.digest is not None
    return FileRecord(
        path=entry.path,
        size=entry.size,
        mtime=utc_from_ns(entry.mtime_ns),
        hashes=(FileHash(algorithm=algorithm, value=result.digest),),
    )
