"""Put a file of a history on the drive so that a kill or a power cut leaves the old state or the new one.

Temporary name in the same folder → write → sync → drop the cache → read again and compare → final name →
sync the folder. A manifest's final name is never given over an existing file. The chain is the one file
that is replaced, in one step: a reader finds the old chain or the new one, never half of either.
"""

from __future__ import annotations

import errno
import hashlib
import mmap
import os
from contextlib import suppress

from ingest.durable import Disk, on_destination
from ingest.hashes import c4_text
from shared.errors import ChecksumMismatchError

SUFFIX = ".partial"
_BUFFER = 64 * 1024
_READ = 1 << 20


class PartialFile:
    """A file on its way to its final name. Also a file-like object for whoever writes XML into it.

    The front of the file, up to `end_front`, may hold places that are filled in later. Raises the
    DestinationErrors of `on_destination`.
    """

    def __init__(self, disk: Disk, folder: int, name: str, shown: str) -> None:
        self._disk, self._folder = disk, folder
        self.name = name
        self._shown = f"{shown}/{name}"
        self._front = bytearray()
        self._front_ended = False
        self._rest = hashlib.sha512()
        self._buffer = bytearray()
        self.length = 0
        self._handle: int | None
        with on_destination(self._shown):
            self._handle = disk.create(name + SUFFIX, at=folder)

    # --- writing --------------------------------------------------------------------------------------

    def write(self, data: bytes, /) -> int:
        self.length += len(data)
        if self._front_ended:
            self._rest.update(data)
        else:
            self._front += data
        self._buffer += data
        if len(self._buffer) >= _BUFFER:
            self._flush()
        return len(data)

    def end_front(self) -> None:
        self._front_ended = True

    def fill_in(self, offset: int, data: bytes) -> None:
        """Put `data` into the place in the front that was held for it with as many bytes."""
        assert offset + len(data) <= len(self._front), "only the front can be filled in"
        self._front[offset : offset + len(data)] = data
        self._flush()
        with on_destination(self._shown):
            os.lseek(self._open(), offset, os.SEEK_SET)
            self._write_all(data)
            os.lseek(self._open(), 0, os.SEEK_END)

    def _flush(self) -> None:
        with on_destination(self._shown):
            self._write_all(bytes(self._buffer))
        self._buffer.clear()

    def _write_all(self, data: bytes) -> None:
        with memoryview(data) as view:
            done = 0
            while done < len(view):
                count = self._disk.write(self._open(), view[done:])
                if count <= 0:
                    raise OSError(5, "the drive takes no more bytes and names no reason")
                done += count

    def _open(self) -> int:
        assert self._handle is not None, "the file has been settled"
        return self._handle

    # --- proving and publishing -----------------------------------------------------------------------

    def settle(self) -> str:
        """Sync, read again, compare. Returns the C4 of the bytes as they are on the drive.

        Raises ChecksumMismatchError when they are not the bytes that were written.
        """
        self._flush()
        with on_destination(self._shown):
            self._disk.sync(self._open())
            self._disk.drop_cache(self._open())
            handle, self._handle = self._open(), None
            os.close(handle)
            front, rest, c4 = self._read_again()
        expected = hashlib.sha512(self._front).hexdigest() + self._rest.hexdigest()
        found = front + rest
        if found != expected:
            raise ChecksumMismatchError(self._shown, algorithm="sha512", expected=expected, found=found)
        return c4

    def _read_again(self) -> tuple[str, str, str]:
        """SHA-512 of the front and of the rest, and the C4 of the whole, read past the cache if possible."""
        front, rest, whole = hashlib.sha512(), hashlib.sha512(), hashlib.sha512()
        handle, direct = self._disk.open_copy(self.name + SUFFIX, at=self._folder)
        try:
            # One byte more than it should have is read as well, and makes the rest differ.
            size = max(self._disk.size_and_times(handle).st_size, self.length)
            done = 0
            # Page-aligned, as direct reads demand.
            with mmap.mmap(-1, _READ) as memory, memoryview(memory) as buffer:
                while done < size:
                    try:
                        count = self._disk.read_into(handle, buffer)
                    except OSError as error:
                        if not direct or error.errno != errno.EINVAL:
                            raise
                        # This file system opens files for direct reads and then refuses them.
                        direct = False
                        self._disk.read_through_cache(handle)
                        continue
                    if count == 0:
                        break
                    border = max(0, min(count, len(self._front) - done))
                    front.update(buffer[:border])
                    rest.update(buffer[border:count])
                    whole.update(buffer[:count])
                    done += count
        finally:
            os.close(handle)
        return front.hexdigest(), rest.hexdigest(), c4_text(whole.digest())

    def publish(self) -> None:
        """Give the settled file its final name. Raises ConflictError when the name is taken."""
        with on_destination(self._shown):
            self._disk.publish(self.name + SUFFIX, self.name, at=self._folder)
            self._disk.sync_folder(self._folder)

    def replace(self) -> None:
        """Give the settled file its final name, in the place of the file that has it."""
        with on_destination(self._shown):
            self._disk.replace(self.name + SUFFIX, self.name, at=self._folder)
            self._disk.sync_folder(self._folder)

    def discard(self) -> None:
        """Remove what was written, after something went wrong. If even that fails, its name says it all."""
        if self._handle is not None:
            with suppress(OSError):
                os.close(self._handle)
            self._handle = None
        with suppress(OSError):
            self._disk.remove(self.name + SUFFIX, at=self._folder)


def remove_leftovers(disk: Disk, folder: int, shown: str) -> None:
    """Remove what an interrupted run left under temporary names. The folder's lock keeps others out."""
    with on_destination(shown):
        for name in os.listdir(folder):
            if name.endswith((f".mhl{SUFFIX}", f".xml{SUFFIX}")):
                disk.remove(name, at=folder)
