"""Write an offload's report into a folder: both pages whole, or neither; never over anything."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from sqlalchemy.orm import Session

from api.handover.folder import PARTIAL
from api.report.html import render_html
from api.report.model import OffloadSheet, read_sheet
from api.report.pdf import draw_pdf
from shared.errors import DestinationError, DestinationFullError, ReadOnlyError, UsageError
from shared.models import Offload
from shared.names import display

_MOST_TRIES = 1000  # reports of one offload in one folder
# What systems say that know no second name for a file: FAT, exFAT and some networks.
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EACCES, errno.EINVAL)


def write_report(session: Session, offload: Offload, to: Path) -> tuple[Path, Path]:
    """Write `<reel>_offload_<date>_<time>.html` and `.pdf` into the folder; returns both paths.

    The time is the end of the offload in the production's zone; `_2`, `_3` … follows where a name is taken.
    Raises UsageError when `to` is no folder, DestinationError, naming the file, when it can't be written:
    then neither is there. A run that is killed may leave files that end in `.partial`, to be deleted.
    """
    with session.no_autoflush:
        sheet = read_sheet(offload)
    check_folder(to)
    made: list[Path] = []  # by this run: nothing else is ever removed
    try:
        finals = _claim(to, sheet.stem, made)
        partials = tuple(made)
        with _naming(partials[0]), partials[0].open("wb") as page:
            _write_html(sheet, page)
        with _naming(partials[1]), partials[1].open("wb") as pdf:
            draw_pdf(sheet, pdf)
            _sync(pdf)
        for partial, final in zip(partials, finals, strict=True):
            with _naming(final):
                _publish(partial, final)
            made.append(final)
        with _naming(to):
            for partial in partials:
                partial.unlink(missing_ok=True)
            _sync_folder(to)
    except BaseException:
        for path in made:
            path.unlink(missing_ok=True)
        raise
    return finals


def check_folder(to: Path) -> None:
    """Raises UsageError for what is no folder; to be asked before a long offload, not only after it."""
    if not to.is_dir():
        raise UsageError(
            "there is no such folder for the report",
            path=_shown(to),
            remedy="Plug the drive in, or make the folder first.",
        )


def _write_html(sheet: OffloadSheet, page: BinaryIO) -> None:
    for piece in render_html(sheet):
        page.write(piece.encode())
    _sync(page)


def _claim(to: Path, stem: str, made: list[Path]) -> tuple[Path, Path]:
    """The first free pair of names. Making the `.partial` files claims it: only one run can make them."""
    for number in range(1, _MOST_TRIES):
        name = stem if number == 1 else f"{stem}_{number}"
        finals = to / f"{name}.html", to / f"{name}.pdf"
        partials = [final.with_name(final.name + PARTIAL) for final in finals]
        if any(map(os.path.lexists, (*finals, *partials))):
            continue
        try:
            for partial in partials:
                with _naming(partial):
                    partial.open("xb").close()
                made.append(partial)
        except DestinationError as error:
            if not isinstance(error.__cause__, FileExistsError):
                raise
            while made:  # another run took the second name in this very moment
                made.pop().unlink(missing_ok=True)
            continue
        return finals
    with _naming(to / stem):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))


def _publish(partial: Path, final: Path) -> None:
    """Give the file its final name. A second name is refused where one stands, which a rename is not."""
    try:
        os.link(partial, final)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if os.path.lexists(final):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from error
        partial.rename(final)


def _sync(file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    except OSError as error:
        # Some network and FAT drivers refuse to sync a folder; the names are then as good as they get.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EBADF):
            raise
    finally:
        os.close(handle)


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """Turn an operating system error at this path into one that names it and says what to do."""
    try:
        yield
    except OSError as error:
        shown, again = _shown(path), "Choose another folder, then ask for the report again: rushlight report."
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise DestinationFullError("the drive is full", path=shown, remedy=again) from error
        if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
            raise ReadOnlyError(
                f"it can't be written ({error.strerror})", path=shown, remedy=again
            ) from error
        raise DestinationError(f"writing failed ({error.strerror})", path=shown, remedy=again) from error


def _shown(path: Path) -> str:
    return display(os.fsencode(path))
