"""What is to be done with each file of a card: the rows of a plan, kept small."""

from __future__ import annotations

import copy
from array import array
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.files import Entry
from ingest.table import Strings, Table


@dataclass(frozen=True, slots=True)
class Task:
    """One file of the card. `write`: places that need its bytes; `prove`: places that hold a file of this
    name, to be re-read and compared; `kept`: places whose copy is proven and unchanged since.
    `expected`: the digest recorded earlier, which the card must still give."""

    entry: Entry
    write: tuple[int, ...]
    prove: tuple[int, ...]
    kept: tuple[int, ...]
    expected: str | None = None

    @property
    def needs_reading(self) -> bool:
        return bool(self.write or self.prove)


_Ways = tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]  # as a task's `write`, `prove` and `kept`


class Tasks(Table[Task]):
    """One task for each of `files`, in the same order. Very many files are dealt with in very few ways."""

    def __init__(self, files: Sequence[Entry]) -> None:
        self._files = files
        self._ways: list[_Ways] = []
        self._number_of: dict[_Ways, int] = {}
        self._way = array("L")  # by file: which of the ways
        self._expected = Strings()  # empty: none

    def __len__(self) -> int:
        return len(self._way)

    def append(self, task: Task) -> None:
        """Take the task of the next file."""
        ways = (task.write, task.prove, task.kept)
        if ways not in self._number_of:
            self._number_of[ways] = len(self._ways)
            self._ways.append(ways)
        self._way.append(self._number_of[ways])
        self._expected.append((task.expected or "").encode())

    def without(self, place: int) -> Tasks:
        """The same without writing to a place; what stands there already is still proven."""
        changed = copy.copy(self)
        changed._ways = [
            (tuple(n for n in write if n != place), prove, kept) for write, prove, kept in self._ways
        ]
        return changed

    def _row(self, number: int) -> Task:
        write, prove, kept = self._ways[self._way[number]]
        expected = self._expected[number].decode()
        return Task(self._files[number], write, prove, kept, expected or None)
