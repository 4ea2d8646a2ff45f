"""The hand-over's folder: built under a name that ends in `.partial`, published whole or not at all."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from shared.errors import (
    AppError,
    DestinationError,
    DestinationFullError,
    DestinationGoneError,
    ReadOnlyError,
    RefusedFileError,
    UsageError,
)
from shared.names import display

PARTIAL = ".partial"
_MOST_TRIES = 1000  # hand-overs of one production in one minute


class Draft:
    """A hand-over while it is built. `root` is the folder to write in, `files` what was written so far,
    as paths below it with "/" between parts."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.files: list[str] = []

    @contextmanager
    def create(self, name: str) -> Iterator[BinaryIO]:
        """A new file below the folder, on the medium when the block ends.

        An operating system error inside the block is taken for this file's: read other files inside
        their own handling. Raises DestinationError that names the file.
        """
        path = self.root / name
        with _at(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x+b") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
        self.files.append(name)

    def write(self, name: str, data: bytes) -> None:
        """As `create`, for a file whose bytes are at hand."""
        with self.create(name) as file:
            file.write(data)

    @contextmanager
    def reread(self, name: str) -> Iterator[BinaryIO]:
        """A file that was written, to read. Raises as `create`."""
        path = self.root / name
        with _at(path), path.open("rb") as file:
            yield file


@contextmanager
def draft_folder(to: Path, name: str) -> Iterator[tuple[Draft, Path]]:
    """Yield the draft and the path under which it will stand when the block ends without an error.

    The name is `name`, or `name_2`, `name_3` … where that is taken; nothing is ever overwritten. On any
    error the draft is removed. A run that is killed leaves a folder ending in `.partial` and nothing else.
    Raises UsageError for a place that is no folder, DestinationError for one that can't be written.
    """
    _make_if_new(to)
    with _at(to):
        final = _claim(to, name)
    draft = Draft(final.with_name(final.name + PARTIAL))
    try:
        yield draft, final
        _publish(draft.root, final)
    except BaseException as error:
        _remove(draft.root, error)
        raise


def _make_if_new(to: Path) -> None:
    """Make the last folder of the path; where the one above it is missing too, a drive may be."""
    if to.is_dir():
        return
    if to.exists() or not to.parent.is_dir():
        raise UsageError(
            "there is no such folder",
            path=_shown(to),
            remedy="Plug the drive in, or make the folder first.",
        )
    with _at(to):
        to.mkdir()


def _claim(to: Path, name: str) -> Path:
    """Making the `.partial` folder claims the name: only one run can make it."""
    for number in range(1, _MOST_TRIES):
        final = to / (name if number == 1 else f"{name}_{number}")
        partial = final.with_name(final.name + PARTIAL)
        try:
            partial.mkdir()
        except FileExistsError:
            continue
        # Looked at after the claim: whoever held it before has published or given up by now.
        if not os.path.lexists(final):
            return final
        partial.rmdir()
    raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(to / name))


def _publish(root: Path, final: Path) -> None:
    with _at(final):
        for folder, _, _ in os.walk(root):
            _sync_folder(Path(folder))
        # A rename would replace an empty folder that somebody else made meanwhile.
        if os.path.lexists(final):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(final))
        root.rename(final)
        try:
            _sync_folder(final.parent)
        except OSError:
            final.rename(root)  # the name is not sure to last, so it is not given
            raise


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    except OSError as error:
        # Some network and FAT drivers refuse to sync a folder; the rename is then as good as it gets.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EBADF):
            raise
    finally:
        os.close(handle)


def _remove(root: Path, error: BaseException) -> None:
    shutil.rmtree(root, ignore_errors=True)
    if not root.exists():
        return
    note = f"The unfinished folder {_shown(root)} could not be removed; delete it."
    if isinstance(error, AppError):
        error.remedy = f"{error.remedy} {note}" if error.remedy else note
    else:
        error.add_note(note)


@contextmanager
def _at(path: Path) -> Iterator[None]:
    """Turn an operating system error at this path into one that names it and says what to do."""
    try:
        yield
    except OSError as error:
        raise _refusal(error, _shown(path)) from error


def _refusal(error: OSError, shown: str) -> DestinationError:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return DestinationFullError(
            "the drive is full", path=shown, remedy="Free space or choose another folder, then run it again."
        )
    if error.errno == errno.EFBIG:
        return RefusedFileError(
            "the file is larger than this place allows", path=shown, remedy="Choose a folder elsewhere."
        )
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return ReadOnlyError(
            f"it can't be written ({error.strerror})",
            path=shown,
            remedy="Check the drive's lock, its mount and the folder's permissions, or choose another.",
        )
    if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE):
        return DestinationGoneError(
            "the folder is gone", path=shown, remedy="Plug the drive in again, then run it again."
        )
    if error.errno == errno.EEXIST:
        return DestinationError(
            "the name is taken", path=shown, remedy="Move what is there away, or choose another folder."
        )
    return DestinationError(
        f"writing failed ({error.strerror})", path=shown, remedy="Choose another folder or drive."
    )


def _shown(path: Path) -> str:
    return display(os.fsencode(path))
