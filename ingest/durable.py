"""Every call that touches a card or a drive, in one place, so that a test can make any of them fail.

The order that makes a copy trustworthy is kept by `ingest/settle.py`; this module only names the steps
and says what each one does and does not promise. None of them can see through a drive that lies about
having written its cache.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import mmap
import os
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from ingest.devices import drives_of
from shared.errors import (
    CardError,
    ConflictError,
    DestinationError,
    DestinationFullError,
    DestinationGoneError,
    ReadOnlyError,
    RefusedFileError,
    SourceChangedError,
    UnreadableError,
    VanishedError,
)

_LIBC = ctypes.CDLL(None, use_errno=True)
_RENAME_NOREPLACE = 1
_AT_FDCWD = -100
_SYNC_FILE_RANGE_WRITE = 2
_F_NOCACHE = 48  # <sys/fcntl.h> of macOS; Python's fcntl names it on that system only
_O_NOATIME = getattr(os, "O_NOATIME", 0)
_O_DIRECT = getattr(os, "O_DIRECT", 0)
_FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC

BLOCK = 4096
_WINDOW = 256 * 1024 * 1024  # how much of a file is looked at by one mincore


class Disk:
    """Plain calls, one method each. A fault in a test is a subclass that changes one of them."""

    # --- folders -------------------------------------------------------------------------------

    def open_folder(self, path: str | Path, *, at: int | None = None) -> int:
        """A handle on a folder. A link in the last part is refused (ELOOP, ENOTDIR)."""
        return _open_quietly(path, _FOLDER_FLAGS, at)

    def make_folder(self, name: str, *, at: int) -> None:
        """Make one folder below another; that it exists already is fine."""
        with suppress(FileExistsError), _naming_the_name(name):
            os.mkdir(name, 0o777, dir_fd=at)

    def sync_folder(self, folder: int) -> None:
        """Names added to or renamed in this folder survive a power cut after this."""
        try:
            os.fsync(folder)
        except OSError as error:
            # Some network and FAT drivers refuse to sync a folder; their rename is then as good as it gets.
            if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EBADF):
                raise

    # --- reading -------------------------------------------------------------------------------

    def open_source(self, name: str, *, at: int) -> int:
        """Open a file of a card: never through a link, never waiting on a pipe, leaving its access time."""
        return _open_quietly(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, at)

    def open_copy(self, name: str, *, at: int) -> tuple[int, bool]:
        """Open a copy to prove it. The flag says whether reads go past the cache (O_DIRECT, F_NOCACHE)."""
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        if _O_DIRECT:
            try:
                return os.open(name, flags | _O_DIRECT, dir_fd=at), True
            except OSError as error:
                if error.errno != errno.EINVAL:  # EINVAL: this file system has no direct reads
                    raise
        handle = os.open(name, flags, dir_fd=at)
        if sys.platform == "darwin":
            fcntl.fcntl(handle, _F_NOCACHE, 1)
            return handle, True
        return handle, False

    def read_into(self, handle: int, view: memoryview) -> int:
        return os.readv(handle, [view])

    def read_ahead(self, handle: int, offset: int, length: int) -> None:
        """Ask the system to fetch this range soon, without waiting; a hint that may do nothing."""
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(handle, offset, length, os.POSIX_FADV_WILLNEED)

    def read_through_cache(self, handle: int) -> None:
        """Give up direct reads of an open copy: some file systems open for them and then refuse each."""
        fcntl.fcntl(handle, fcntl.F_SETFL, fcntl.fcntl(handle, fcntl.F_GETFL) & ~_O_DIRECT)

    def size_and_times(self, handle: int) -> os.stat_result:
        return os.fstat(handle)

    def stat_at(self, name: str, *, at: int) -> os.stat_result:
        return os.stat(name, dir_fd=at, follow_symlinks=False)

    # --- writing -------------------------------------------------------------------------------

    def create(self, name: str, *, at: int) -> int:
        """A new file, never an existing one."""
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        with _naming_the_name(name):
            return os.open(name, flags, 0o666, dir_fd=at)

    def write(self, handle: int, view: memoryview) -> int:
        return os.write(handle, view)

    def begin_writeback(self, handle: int, offset: int, length: int) -> None:
        """Ask the system to start writing this range, without waiting; a hint that may do nothing."""
        if sys.platform == "linux":
            _LIBC.sync_file_range(
                ctypes.c_int(handle),
                ctypes.c_int64(offset),
                ctypes.c_int64(length),
                ctypes.c_uint(_SYNC_FILE_RANGE_WRITE),
            )

    def close(self, handle: int) -> None:
        """Close a file that was written: some file systems report a failed write only here."""
        os.close(handle)

    def set_mtime(self, handle: int, mtime_ns: int) -> None:
        os.utime(handle, ns=(mtime_ns, mtime_ns))

    def sync(self, handle: int) -> None:
        """The file's bytes and size are on the medium when this returns."""
        if sys.platform == "darwin":
            fcntl.fcntl(handle, fcntl.F_FULLFSYNC)
        else:
            os.fsync(handle)

    def sync_all(self, folder: int) -> None:
        """As `sync` for every file of the file system that holds `folder` (syncfs).

        Linux before 5.8 does not report a failed write here; the re-read that follows does.
        """
        if sys.platform == "linux":
            if _LIBC.syncfs(ctypes.c_int(folder)) != 0:
                code = ctypes.get_errno()
                raise OSError(code, os.strerror(code))
        else:
            os.sync()

    def drop_cache(self, handle: int) -> None:
        """Ask for the file's clean pages to be dropped; best effort, see `resident`."""
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)

    def resident(self, handle: int, size: int) -> bool | None:
        """Whether any page of the file is still in memory (mincore). None: it can't be told here."""
        if sys.platform != "linux" or size == 0:
            return None
        return _any_page_resident(handle, size)

    def publish(self, partial: str, final: str, *, at: int) -> None:
        """Give a proven file its final name; an existing one is never replaced (EEXIST)."""
        if sys.platform == "linux":
            result = _LIBC.renameat2(
                ctypes.c_int(at),
                os.fsencode(partial),
                ctypes.c_int(at),
                os.fsencode(final),
                ctypes.c_uint(_RENAME_NOREPLACE),
            )
            if result == 0:
                return
            code = ctypes.get_errno()
            if code not in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
                raise OSError(code, os.strerror(code), final)
        _publish_by_link(partial, final, at)

    def replace(self, name: str, old: str, *, at: int) -> None:
        """Put a proven file in the place of another, in one step: a reader finds the old or the new."""
        os.rename(name, old, src_dir_fd=at, dst_dir_fd=at)

    def remove(self, name: str, *, at: int) -> None:
        os.unlink(name, dir_fd=at)

    def free_bytes(self, path: Path) -> int:
        state = os.statvfs(path)
        return state.f_bavail * state.f_frsize

    def drives(self, handle: int) -> frozenset[str]:
        """The physical drives under an open file or folder."""
        return drives_of(handle)


@contextmanager
def _naming_the_name(name: str) -> Iterator[None]:
    """Say of a name that a file system does not permit that it is the name: where something is to be made,
    EINVAL means that and nothing else (open(2), mkdir(2)). One file is refused then, not the drive."""
    try:
        yield
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
        raise OSError(errno.EILSEQ, os.strerror(errno.EILSEQ), name) from error


def _open_quietly(path: str | Path, flags: int, at: int | None) -> int:
    """Open without leaving an access time where that is allowed: a card must not change by being read."""
    try:
        return os.open(path, flags | _O_NOATIME, dir_fd=at)
    except PermissionError:
        return os.open(path, flags, dir_fd=at)  # only a file's owner may ask for O_NOATIME


def _publish_by_link(partial: str, final: str, at: int) -> None:
    """Publish where renameat2 can't refuse: a hard link refuses an existing name in one step."""
    try:
        os.link(partial, final, src_dir_fd=at, dst_dir_fd=at, follow_symlinks=False)
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK):
            raise
        # FAT has no hard links. A look and a rename leave a gap in which another writer could slip in;
        # the lock on the reel's folder keeps our own runs out of it.
        try:
            os.stat(final, dir_fd=at, follow_symlinks=False)
        except FileNotFoundError:
            os.rename(partial, final, src_dir_fd=at, dst_dir_fd=at)
            return
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), final) from None
    os.unlink(partial, dir_fd=at)


def _any_page_resident(handle: int, size: int) -> bool | None:
    """Look at every page of the file through mincore(2), a window at a time."""
    for start in range(0, size, _WINDOW):
        length = min(_WINDOW, size - start)
        vector = (ctypes.c_ubyte * ((length + mmap.PAGESIZE - 1) // mmap.PAGESIZE))()
        try:
            # Private, so that it may be writable (which ctypes asks for) on a handle that only reads.
            view = mmap.mmap(handle, length, mmap.MAP_PRIVATE, mmap.PROT_READ | mmap.PROT_WRITE, offset=start)
        except (OSError, ValueError):
            return None
        try:
            anchor = ctypes.c_char.from_buffer(view)
            address = ctypes.c_void_p(ctypes.addressof(anchor))
            result = _LIBC.mincore(address, ctypes.c_size_t(length), vector)
            del anchor
        finally:
            view.close()
        if result != 0:
            return None
        if any(byte & 1 for byte in bytes(vector).strip(b"\0")):
            return True
    return False


def is_plain_file(found: os.stat_result) -> bool:
    return stat.S_ISREG(found.st_mode)


@contextmanager
def lock_folder(folder: int, shown: str) -> Iterator[None]:
    """Hold a folder for one run. Raises ConflictError when another run holds it."""
    try:
        fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise ConflictError(
            "another run is at work there",
            path=shown,
            remedy="Wait for it to end, then run this one again; it goes on where that one stopped.",
        ) from error
    except OSError as error:
        if error.errno not in (errno.ENOTSUP, errno.ENOSYS, errno.EINVAL, errno.ENOLCK):
            raise
        # A file system without locks: exclusive creation still keeps two runs from sharing a file.
        yield
        return
    try:
        yield
    finally:
        fcntl.flock(folder, fcntl.LOCK_UN)


@contextmanager
def on_card(shown: str) -> Iterator[None]:
    """Turn an operating system error about one file of the card into a CardError. The run goes on."""
    try:
        yield
    except OSError as error:
        raise card_error(error, shown) from error


def card_error(error: OSError, shown: str) -> CardError:
    if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOMEDIUM, errno.ESTALE):
        return VanishedError(
            "it vanished while the card was read", path=shown, remedy="Put the card back and run again."
        )
    if error.errno == errno.ELOOP:
        return SourceChangedError(
            "it turned into a link", path=shown, remedy="Look at the card; links are not followed."
        )
    return UnreadableError(
        f"it can't be read ({error.strerror})",
        path=shown,
        remedy="Try another reader or port before you do anything else with this card.",
    )


@contextmanager
def on_destination(shown: str) -> Iterator[None]:
    """Turn an operating system error at a destination into a DestinationError. It stops there."""
    try:
        yield
    except FileExistsError as error:
        raise ConflictError(
            "a file of this name is there already and was not touched",
            path=shown,
            remedy="Look at it: it is not the copy that was being made.",
        ) from error
    except OSError as error:
        raise destination_error(error, shown) from error


def destination_error(error: OSError, shown: str) -> DestinationError:
    """Whether a destination may be used again is decided here, where the cause is known: never in a run."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return DestinationFullError(
            "the drive is full", path=shown, remedy="Free space or choose another drive, then run again."
        )
    if error.errno == errno.EFBIG:
        return RefusedFileError(
            "the file is too large for this drive's file system",
            path=shown,
            remedy="FAT32 ends at 4,294,967,295 bytes a file; use a drive formatted otherwise.",
        )
    if error.errno in (errno.EEXIST, errno.ENOTDIR, errno.EISDIR, errno.ELOOP):
        return RefusedFileError(
            "something else stands there under its name, or under that of its folder",
            path=shown,
            remedy="Look at it and move it away; nothing is ever written over it.",
        )
    if error.errno in (errno.ENAMETOOLONG, errno.EILSEQ):
        return RefusedFileError(
            "this drive can't keep a file of that name", path=shown, remedy="Use a drive formatted otherwise."
        )
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return ReadOnlyError(
            f"it can't be written to ({error.strerror})",
            path=shown,
            remedy="Check the drive's lock, its mount and the folder's permissions.",
        )
    if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE):
        return DestinationGoneError(
            "the drive is gone", path=shown, remedy="Plug it in again and run again; proven copies are kept."
        )
    return DestinationError(
        f"writing failed ({error.strerror})",
        path=shown,
        remedy="Suspect the drive, its cable or its port; run again when it is mended.",
    )
