"""Very many rows in little memory: values end to end, and an object made anew for each row asked for.

A card may hold a hundred thousand files. As objects, what is known of each takes some thousand bytes; as
columns, some tens.
"""

from __future__ import annotations

import tempfile
import threading
from abc import abstractmethod
from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TypeVar, overload

Row = TypeVar("Row", covariant=True)


class Table(Sequence[Row]):
    """A sequence whose rows are made when they are asked for; two of one number are equal, not the same."""

    @abstractmethod
    def _row(self, number: int) -> Row:
        """Row `number`, 0 being the first; it is there."""

    @overload
    def __getitem__(self, index: int) -> Row: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Row, ...]: ...
    def __getitem__(self, index: int | slice) -> Row | tuple[Row, ...]:
        """Raises IndexError when there is no such row."""
        if isinstance(index, slice):
            return tuple(map(self._row, range(len(self))[index]))
        if not 0 <= index < len(self):
            index = range(len(self))[index]  # from the end, or an IndexError
        return self._row(index)

    def __iter__(self) -> Iterator[Row]:
        return map(self._row, range(len(self)))


class Strings:
    """Byte strings of any length, in the order in which they were added."""

    def __init__(self) -> None:
        self._bytes = bytearray()
        self._ends = array("Q", [0])

    def __len__(self) -> int:
        return len(self._ends) - 1

    def __getitem__(self, number: int) -> bytes:
        return bytes(self._bytes[self._ends[number] : self._ends[number + 1]])

    def append(self, value: bytes) -> None:
        self._bytes += value
        self._ends.append(len(self._bytes))


class Wholes:
    """Whole numbers or None, in the order in which they were added. The least that a catalogue holds stands
    for None."""

    _NONE = -(2**63)

    def __init__(self) -> None:
        self._numbers = array("q")

    def __len__(self) -> int:
        return len(self._numbers)

    def __getitem__(self, number: int) -> int | None:
        found = self._numbers[number]
        return None if found == self._NONE else found

    def append(self, value: int | None) -> None:
        """Raises OverflowError for a number that a catalogue does not hold."""
        self._numbers.append(self._NONE if value is None else value)


class Numbers(Mapping[bytes, int]):
    """A whole number for each of very many byte strings, which are found by halving.

    `pairs`: each byte string once, in any order. Iteration is in the order of the byte strings.
    """

    def __init__(self, pairs: Iterable[tuple[bytes, int]] = ()) -> None:
        self._keys = Strings()
        self._numbers = array("q")
        self._in_order = True
        for key, number in pairs:
            self.add(key, number)

    def add(self, key: bytes, number: int) -> None:
        """Take one more, which is not there yet."""
        if self._keys and key < self._keys[len(self._keys) - 1]:
            self._in_order = False
        self._keys.append(key)
        self._numbers.append(number)

    def __len__(self) -> int:
        return len(self._keys)

    def __iter__(self) -> Iterator[bytes]:
        self._sort()
        return map(self._keys.__getitem__, range(len(self._keys)))

    def __getitem__(self, key: bytes) -> int:
        self._sort()
        place = bisect_left(self._keys, key)
        if place == len(self._keys) or self._keys[place] != key:
            raise KeyError(key)
        return self._numbers[place]

    def _sort(self) -> None:
        if self._in_order:
            return
        keys, numbers = Strings(), array("q")
        for number in sorted(range(len(self._keys)), key=self._keys.__getitem__):
            keys.append(self._keys[number])
            numbers.append(self._numbers[number])
        self._keys, self._numbers, self._in_order = keys, numbers, True


class OnDisk:
    """Byte strings in a temporary file, by the number in which they were added; any thread may add."""

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile("w+b")  # noqa: SIM115 - closed by `close`
        self._ends = array("Q", [0])
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._ends) - 1

    def __getitem__(self, number: int) -> bytes:
        with self._lock:
            self._file.seek(self._ends[number])
            return self._file.read(self._ends[number + 1] - self._ends[number])

    def append(self, value: bytes) -> int:
        """Returns its number. Raises OSError where the disk is full."""
        with self._lock:
            self._file.seek(self._ends[-1])
            self._file.write(value)
            self._ends.append(self._ends[-1] + len(value))
            return len(self._ends) - 2

    def close(self) -> None:
        self._file.close()
