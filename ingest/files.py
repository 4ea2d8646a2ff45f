"""The files of a card: what the listing says of each, kept small."""

from __future__ import annotations

import os
from array import array
from dataclasses import dataclass

from ingest.table import Strings, Table
from shared.names import display

# What a catalogue's whole number holds; as nanoseconds since 1970 it ends in the year 2262.
EARLIEST_NS, LATEST_NS = -(2**63), 2**63 - 1


@dataclass(frozen=True, slots=True)
class Entry:
    """A plain file of the card. `path` is relative, "/" between parts, undecodable bytes escaped as
    `os.fsdecode` does; `size` in bytes, `mtime_ns` since 1970."""

    path: str
    size: int
    mtime_ns: int

    @property
    def raw(self) -> bytes:
        return os.fsencode(self.path)

    @property
    def shown(self) -> str:
        return display(self.raw)


class Files(Table[Entry]):
    """Entries at some sixty bytes each."""

    def __init__(self) -> None:
        self._paths = Strings()
        self._sizes = array("q")
        self._mtimes = array("q")

    def __len__(self) -> int:
        return len(self._sizes)

    def append(self, entry: Entry) -> None:
        """Raises OverflowError for a time outside `EARLIEST_NS` to `LATEST_NS`."""
        self._mtimes.append(entry.mtime_ns)
        self._sizes.append(entry.size)
        self._paths.append(entry.raw)

    def in_reading_order(self) -> Files:
        """Folder by folder: one open folder serves all files in it."""
        ordered = Files()
        for number in sorted(range(len(self)), key=self._reading_order):
            ordered.append(self._row(number))
        return ordered

    def _row(self, number: int) -> Entry:
        return Entry(os.fsdecode(self._paths[number]), self._sizes[number], self._mtimes[number])

    def _reading_order(self, number: int) -> str:
        folder, _, name = os.fsdecode(self._paths[number]).rpartition("/")
        return f"{folder}\0{name}"  # no name has this character, and none comes before it
