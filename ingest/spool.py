"""Results by the hundred thousand, kept in a temporary file: memory stays the same however many there are."""

from __future__ import annotations

import json
import tempfile
import threading
from collections.abc import Iterator
from typing import Any

from shared.errors import CatalogueError


class Spool:
    """Values that JSON can carry, in the order in which they were added; any thread may add.

    Lone surrogates, which stand for bytes that are no text, go in and come out as they are.
    """

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile("w+", encoding="ascii")  # noqa: SIM115 - closed by `close`
        self._lock = threading.Lock()
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def add(self, value: Any) -> None:
        line = json.dumps(value) + "\n"
        with self._lock:
            self._file.write(line)
            self._count += 1

    def __iter__(self) -> Iterator[Any]:
        """All values so far. Nothing may be added until the last one was taken."""
        self._file.seek(0)
        try:
            for line in self._file:
                yield json.loads(line)
        finally:
            self._file.seek(0, 2)

    def close(self) -> None:
        self._file.close()


def no_room(what: str, error: OSError) -> CatalogueError:
    """The error for a temporary file that can't be written."""
    return CatalogueError(
        f"{what} can't be kept: {error.strerror}",
        path=tempfile.gettempdir(),
        remedy="Make room there, or set TMPDIR to a folder with room, and do it again: what is copied stays.",
    )
