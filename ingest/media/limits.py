"""What a parser of hostile files may not do: use all memory, write at length, or reach any other file."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import resource
import stat
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from shared.errors import MediaError

NICENESS = 5  # so that the copy, which people wait for, goes first
OPEN_FILES = 64
WRITTEN_BYTES = 64 * 2**20


def limit_this_process(memory_mib: int) -> None:
    """Bind this process for good: address space, size of a written file, open files, no core dump, niceness.

    Call it before the decoders are loaded, so that what they reserve is counted.
    """
    for which, limit in (
        (resource.RLIMIT_AS, memory_mib * 2**20),
        (resource.RLIMIT_FSIZE, WRITTEN_BYTES),
        (resource.RLIMIT_NOFILE, OPEN_FILES),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(which)
        limit = limit if hard == resource.RLIM_INFINITY else min(limit, hard)
        resource.setrlimit(which, (limit, limit))
    os.nice(NICENESS)


@contextlib.contextmanager
def no_new_files() -> Iterator[None]:
    """While this lasts, the process can open no further file and no socket.

    Containers may name other files and addresses, and MediaInfo follows such names even when it is handed
    nothing but a buffer (seen with version 24.12). With no descriptor to be had, it can't. What is open
    stays usable; modules that load lazily must be loaded before.
    """
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (0, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def open_media(path: Path) -> BinaryIO:
    """Open a regular file to read. Raises MediaError for anything else: a link, a pipe, a missing file."""
    name = os.fsencode(path).decode("utf-8", "backslashreplace")
    try:
        # Not through a link, and not waiting for the writer of a named pipe.
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError as error:
        raise MediaError(f"can't be opened: {error.strerror}", path=name) from error
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise MediaError("is not a regular file", path=name)
    return open(descriptor, "rb")


class _View(io.RawIOBase):
    """Reads by place, and moves nobody else's. The file itself is closed by whoever opened it."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor, self._at = descriptor, 0

    def fileno(self) -> int:
        return self._descriptor

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def readinto(self, into: Any) -> int:
        read = os.preadv(self._descriptor, [into], self._at)
        self._at += read
        return read

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        start = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: os.fstat(self._descriptor).st_size}[
            whence
        ]
        self._at = max(0, start + offset)
        return self._at


def view_of(file: BinaryIO) -> BinaryIO:
    """Another reader of an open file, with a place of its own: to be had where no file can be opened."""
    return io.BufferedReader(_View(file.fileno()))


def refuse_sockets() -> None:
    """From now on this process makes no socket and looks up no name: what tries it gets OSError, for good.

    It holds for Python code and what calls through it; against what a decoder does on its own, see
    `no_new_files`.
    """

    def refuse(event: str, _: object) -> None:
        if event.startswith("socket."):
            raise OSError(errno.EACCES, "this process may not use the network")

    sys.addaudithook(refuse)
