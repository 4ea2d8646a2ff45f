"""What became of each file of a plan: filled in while a copy runs, kept small."""

from __future__ import annotations

from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ingest.hashes import make_hasher
from ingest.settle import Settled
from ingest.table import Table
from ingest.tasks import Task
from shared.errors import AppError
from shared.models.media import CopyState

_NONE_YET = 0
_STATES = (None, *CopyState)  # as they are numbered in a column, from 1


@dataclass(frozen=True, slots=True)
class FileResult:
    """What became of one file: its digest as read from the card (None: not read whole), the reason if it
    failed, and the outcome at each place."""

    task: Task
    digest: str | None = None
    error: AppError | None = None
    at: Mapping[int, Settled] = field(default_factory=dict)

    @property
    def settled_everywhere(self) -> bool:
        """Whether every place that was to hold the file has answered."""
        return len(self.at) == len(self.task.write) + len(self.task.prove)


class Results(Table[FileResult]):
    """One result for each of `tasks`, in the same order."""

    def __init__(self, tasks: Sequence[Task], places: int, algorithm: str) -> None:
        self._tasks = tasks
        self._digests = _Digests(len(tasks), len(make_hasher(algorithm).hexdigest()))
        self._errors = _Errors(len(tasks))
        self._at = [_Answers(len(tasks)) for _ in range(places)]

    def __len__(self) -> int:
        return len(self._tasks)

    def source_ended(self, number: int, digest: str | None, error: AppError | None) -> None:
        """Note what the card gave for a file."""
        if digest is not None:
            self._digests.set(number, digest)
        self._errors.set(number, error)

    def settled(self, settled: Settled) -> None:
        """Note a place's answer for a file."""
        self._at[settled.place].set(settled)

    def _row(self, number: int) -> FileResult:
        at = {
            place: settled
            for place, answers in enumerate(self._at)
            if (settled := answers.get(number, place)) is not None
        }
        return FileResult(self._tasks[number], self._digests.get(number), self._errors.get(number), at)


class _Digests:
    """Digests of one algorithm, all of which are equally long."""

    def __init__(self, count: int, length: int) -> None:
        self._length = length
        self._all = bytearray(count * length)

    def set(self, number: int, digest: str) -> None:
        self._all[number * self._length : (number + 1) * self._length] = digest.encode("ascii")

    def get(self, number: int) -> str | None:
        found = self._all[number * self._length : (number + 1) * self._length]
        return found.decode("ascii") if found[0] else None


class _Errors:
    """Errors by file. A drive that is gone is one error for very many of them."""

    def __init__(self, count: int) -> None:
        self._which = array("L", bytes(array("L").itemsize * count))  # 0: none
        self._errors: list[AppError] = []
        self._number_of: dict[int, int] = {}  # by identity; the list keeps each error

    def set(self, number: int, error: AppError | None) -> None:
        if error is None:
            self._which[number] = 0
            return
        if id(error) not in self._number_of:
            self._errors.append(error)
            self._number_of[id(error)] = len(self._errors)
        self._which[number] = self._number_of[id(error)]

    def get(self, number: int) -> AppError | None:
        which = self._which[number]
        return self._errors[which - 1] if which else None


class _Answers:
    """One place's answers."""

    def __init__(self, count: int) -> None:
        self._states = bytearray(count)
        self._mtimes = array("q", bytes(8 * count))  # of verified copies
        self._errors = _Errors(count)

    def set(self, settled: Settled) -> None:
        self._states[settled.number] = 1 + _STATES.index(settled.state)
        self._mtimes[settled.number] = settled.mtime_ns or 0
        self._errors.set(settled.number, settled.error)

    def get(self, number: int, place: int) -> Settled | None:
        if self._states[number] == _NONE_YET:
            return None
        state = _STATES[self._states[number] - 1]
        mtime_ns = self._mtimes[number] if state is CopyState.VERIFIED else None
        return Settled(number, place, state, self._errors.get(number), mtime_ns)
