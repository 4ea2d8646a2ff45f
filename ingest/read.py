"""Read a card into the ring, file after file, several small ones to a buffer."""

from __future__ import annotations

import os
import threading
from typing import Protocol

from ingest.durable import Disk, card_error, is_plain_file
from ingest.folders import open_below
from ingest.hashes import make_hasher
from ingest.in_flight import InFlight
from ingest.plan import Plan
from ingest.progress import Counters
from ingest.ring import Chunk, Ring, Segment
from shared.errors import CardError, SourceChangedError, UnreadableError

# Files in one buffer: empty ones fill none, and the drives would wait for all of them.
SEGMENTS = 1024
SECOND_READ_BYTES = 1024 * 1024
# How far the system is asked to fetch before the reader. Where the card's folder is on a drive that is also
# written to, its few requests would wait behind very many writes; this keeps enough of them in the queue.
AHEAD_BYTES = 64 * 1024 * 1024
AHEAD_STEP = 4 * 1024 * 1024


class ReadOptions(Protocol):
    """What of the copy's options matters here."""

    @property
    def algorithm(self) -> str: ...
    @property
    def read_twice(self) -> bool: ...


class Reader:
    """Reads files in the order of the plan. A fault of the card closes one file with the error."""

    def __init__(
        self,
        disk: Disk,
        plan: Plan,
        options: ReadOptions,
        ring: Ring[InFlight],
        counters: Counters,
        halt: threading.Event,
    ) -> None:
        self._disk = disk
        self._root = plan.listing.root
        self._options = options
        self._ring = ring
        self._counters = counters
        self._halt = halt
        self._chunk: Chunk[InFlight] | None = None
        self._filled = 0
        self._folder_path: str | None = None
        self._folder: int | None = None

    def read(self, item: InFlight) -> None:
        """Read one file to its end; whatever goes wrong closes its last segment with the error."""
        error: CardError | None = None
        try:
            self._read_bytes(item)
        except OSError as failure:
            error = card_error(failure, item.task.entry.shown)
        except CardError as failure:
            error = failure
        self._segment(item, 0, last=True, error=error)

    def finish(self) -> None:
        """Hand over what is filled and let go of the card."""
        self._give()
        self._leave_folder()

    def _read_bytes(self, item: InFlight) -> None:
        entry = item.task.entry
        handle = self._open(entry.path)
        try:
            before = self._disk.size_and_times(handle)
            if not is_plain_file(before) or not _as_listed(before, item):
                raise _changed(entry.shown)
            total = asked = 0
            while True:
                self._check_halt(entry.shown)
                asked = self._ask_ahead(handle, asked, total, entry.size)
                chunk, start = self._room()
                count = self._disk.read_into(handle, chunk.view[start:])
                if count == 0:
                    break
                total += count
                if total > entry.size:  # a file that grows may never end
                    raise _changed(entry.shown)
                self._segment(item, count)
                self._counters.read += count
            if total != entry.size or not _as_listed(self._disk.size_and_times(handle), item):
                raise _changed(entry.shown)
            if self._options.read_twice:
                item.second_digest = self._read_again(handle, item)
        finally:
            os.close(handle)

    def _ask_ahead(self, handle: int, asked: int, done: int, size: int) -> int:
        """Keep `AHEAD_BYTES` on their way, in small steps: a large one is cut short by the system."""
        while asked < min(size, done + AHEAD_BYTES):
            self._disk.read_ahead(handle, asked, AHEAD_STEP)
            asked += AHEAD_STEP
        return asked

    def _read_again(self, handle: int, item: InFlight) -> str:
        """A second, independent reading, from the card and not from memory as far as it can be asked for."""
        self._disk.drop_cache(handle)
        os.lseek(handle, 0, os.SEEK_SET)
        hasher = make_hasher(self._options.algorithm)
        buffer = memoryview(bytearray(min(self._ring.size, SECOND_READ_BYTES)))
        total = 0
        while (count := self._disk.read_into(handle, buffer)) > 0:
            self._check_halt(item.task.entry.shown)
            hasher.update(buffer[:count])
            total += count
            if total > item.task.entry.size:
                raise _changed(item.task.entry.shown)
        return hasher.hexdigest()

    def _check_halt(self, shown: str) -> None:
        if self._halt.is_set():
            raise UnreadableError("the run was stopped", path=shown, remedy="Run it again.")

    def _open(self, path: str) -> int:
        folder, _, name = path.rpartition("/")
        if self._folder is None or folder != self._folder_path:
            self._leave_folder()
            self._folder = open_below(self._disk, self._root, folder, make=False)
            self._folder_path = folder
        return self._disk.open_source(name, at=self._folder)

    def _leave_folder(self) -> None:
        if self._folder is not None:
            os.close(self._folder)
            self._folder = None

    def _room(self) -> tuple[Chunk[InFlight], int]:
        """A chunk with room for bytes, and where they go."""
        if self._filled >= self._ring.size:
            self._give()
        if self._chunk is None:
            self._chunk, self._filled = self._ring.take(), 0
        return self._chunk, self._filled

    def _segment(
        self, item: InFlight, count: int, *, last: bool = False, error: CardError | None = None
    ) -> None:
        if self._chunk is None:
            self._chunk, self._filled = self._ring.take(), 0
        start = self._filled
        self._chunk.segments.append(Segment(item, start, start + count, last, error))
        self._filled = start + count
        if len(self._chunk.segments) >= SEGMENTS:
            self._give()

    def _give(self) -> None:
        if self._chunk is not None:
            self._ring.give(self._chunk)
            self._chunk = None


def _as_listed(found: os.stat_result, item: InFlight) -> bool:
    entry = item.task.entry
    return (found.st_size, found.st_mtime_ns) == (entry.size, entry.mtime_ns)


def _changed(shown: str) -> SourceChangedError:
    return SourceChangedError(
        "it changed while it was read",
        path=shown,
        remedy="Stop the recording, wait until the card is quiet, and run again.",
    )
