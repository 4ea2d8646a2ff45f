"""Read a copy from the medium and hash it in every algorithm that is asked for, in one go."""

from __future__ import annotations

import errno
import mmap
import os
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from ingest.check.model import FileState
from ingest.durable import Disk, is_plain_file
from ingest.hashes import make_hasher

READ_BYTES = 2 * 1024 * 1024

_NOT_THERE = frozenset({errno.ENOENT, errno.ENOTDIR})
_SOMETHING_ELSE = frozenset({errno.ELOOP, errno.EISDIR, errno.ENXIO})
# What a medium that lost bytes answers; some systems lack some of the names.
_LOST_NAMES = ("EIO", "EUCLEAN", "EBADMSG", "ENODATA", "EREMOTEIO", "ETIMEDOUT")
_LOST = frozenset(getattr(errno, name) for name in _LOST_NAMES if hasattr(errno, name))


@dataclass(frozen=True, slots=True)
class ReadBack:
    """What a copy holds. `size` and `mtime_ns` are those it had before the reading, and after it unless
    `changed`; `from_medium`: no byte can have been answered from memory."""

    size: int
    mtime_ns: int
    hashes: Mapping[str, str]
    from_medium: bool
    changed: bool = False


def read_buffer() -> mmap.mmap:
    """Memory to read into: page-aligned, as direct reads demand."""
    return mmap.mmap(-1, READ_BYTES)


def read_back(
    disk: Disk,
    name: str,
    at: int,
    algorithms: Collection[str],
    buffer: memoryview,
    *,
    most: int | None = None,
    sync: bool = False,
    take: Callable[[memoryview], None] | None = None,
    count: Callable[[int], None] | None = None,
    stopped: Callable[[], bool] | None = None,
) -> ReadBack | None:
    """Read a file below an open folder past the cache, or drop it from the cache first.

    `most`: a file with more bytes is not read, and has no hashes then. `sync`: the bytes were written by this
    run, so they go to the medium first. `take` is given every piece, `count` the length of each. None:
    `stopped` said so, in between. Raises OSError; EISDIR or ELOOP when no plain file has the name.
    """
    handle, direct = disk.open_copy(name, at=at)
    try:
        before = disk.size_and_times(handle)
        if not is_plain_file(before):
            raise OSError(errno.EISDIR, "no plain file")
        if most is not None and before.st_size > most:
            return ReadBack(before.st_size, before.st_mtime_ns, {}, from_medium=True)
        if sync:
            disk.sync(handle)
        disk.drop_cache(handle)
        reading = _Reading(disk, handle, buffer, direct, before.st_size)
        hashers = {algorithm: make_hasher(algorithm) for algorithm in algorithms}
        while piece := reading.next():
            for hasher in hashers.values():
                hasher.update(piece)
            if take is not None:
                take(piece)
            if count is not None:
                count(len(piece))
            if stopped is not None and stopped():
                return None
        after = disk.size_and_times(handle)
    finally:
        os.close(handle)
    changed = (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns)
    return ReadBack(
        before.st_size,
        before.st_mtime_ns,
        {algorithm: hasher.hexdigest() for algorithm, hasher in hashers.items()},
        reading.from_medium,
        changed or reading.done != before.st_size,
    )


def why_no_bytes(error: OSError) -> tuple[FileState, str]:
    """What it means for a copy that it could not be read, on a drive that is still there."""
    if error.errno in _NOT_THERE:
        return FileState.MISSING, "it is not there"
    if error.errno in _SOMETHING_ELSE:
        return FileState.DIFFERS, "no plain file stands under its name"
    if error.errno in _LOST:
        return FileState.UNREADABLE, f"it can't be read ({error.strerror})"
    return FileState.UNCHECKED, f"it can't be checked ({error.strerror})"


class _Reading:
    """The pieces of an open file, up to the size it had when it was opened."""

    def __init__(self, disk: Disk, handle: int, buffer: memoryview, direct: bool, size: int) -> None:
        self._disk, self._handle, self._buffer = disk, handle, buffer
        self._direct, self._size = direct, size
        self.done = 0
        self.from_medium = direct or size == 0 or disk.resident(handle, size) is False

    def next(self) -> memoryview | None:
        if self.done >= self._size:
            return None
        try:
            length = self._disk.read_into(self._handle, self._buffer)
        except OSError as error:
            if not self._direct or error.errno != errno.EINVAL:
                raise
            # This file system opens files for direct reads and then refuses them.
            self._direct = self.from_medium = False
            self._disk.read_through_cache(self._handle)
            length = self._disk.read_into(self._handle, self._buffer)
        # A file that grows meanwhile is not followed: it would never end.
        length = min(length, self._size - self.done)
        self.done += length
        return self._buffer[:length] if length else None
