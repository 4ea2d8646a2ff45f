"""Very many rows in little memory: values end to end, and an object made anew for each row asked for.

A card may hold a hundred thousand files. As objects, what is known of each takes some thousand bytes; as
columns, some tens.
"""

from __future__ import annotations

from abc import abstractmethod
from array import array
from collections.abc import Iterator, Sequence
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
