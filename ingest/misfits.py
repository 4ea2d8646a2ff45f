"""Which files of a card a drive can't keep: names that fall together, names and sizes it refuses."""

from __future__ import annotations

import os
from dataclasses import dataclass

from ingest.card import Listing
from ingest.durable import is_plain_file
from ingest.files import Entry
from shared.errors import AppError, ConflictError, RefusedFileError
from shared.names import display, fold, unportable

FAT_LARGEST = 4_294_967_295  # bytes in one file; published FAT specification
_FAT = ("vfat", "msdos")
_FOREIGN = (*_FAT, "exfat", "fuse.exfat", "ntfs", "ntfs3", "fuseblk", "cifs", "smb3")


@dataclass(frozen=True, slots=True)
class Blind:
    """What a drive does not tell apart in names: upper from lower case; composed from decomposed letters
    (Unicode NFC and NFD)."""

    case: bool = False
    form: bool = False

    def __bool__(self) -> bool:
        return self.case or self.form


class Misfits:
    """The files that can't be kept under their own names on one drive. `filesystem`: its type as the mount
    table names it."""

    def __init__(self, listing: Listing, filesystem: str | None, blind: Blind) -> None:
        self._filesystem = filesystem
        self._twins = _find_twins(listing, blind) if blind else {}

    def fault_of(self, entry: Entry, there: os.stat_result | None) -> AppError | None:
        """Why the drive can't keep this file, or None. `there`: what has its name already."""
        return (
            _too_large(entry, self._filesystem)
            or _bad_name(entry, self._filesystem)
            or _taken(entry, there)
            or _falls_together(entry, self._twins.get(entry.path))
        )


def _too_large(entry: Entry, filesystem: str | None) -> AppError | None:
    if filesystem not in _FAT or entry.size <= FAT_LARGEST:
        return None
    return RefusedFileError(
        f"{entry.size:,} bytes; a file on this drive's file system ends at {FAT_LARGEST:,}",
        path=entry.shown,
        remedy="Use a drive formatted with another file system.",
    )


def _bad_name(entry: Entry, filesystem: str | None) -> AppError | None:
    reason = unportable(entry.raw) if filesystem in _FOREIGN else None
    if reason is None:
        return None
    return RefusedFileError(reason, path=entry.shown, remedy="Use a drive of another format.")


def _taken(entry: Entry, there: os.stat_result | None) -> AppError | None:
    if there is None or is_plain_file(there):
        return None
    return ConflictError(
        "at the destination its name belongs to something that is no file",
        path=entry.shown,
        remedy="Look at it and move it away; nothing is ever written over it.",
    )


def _falls_together(entry: Entry, twin: str | None) -> AppError | None:
    if twin is None:
        return None
    return ConflictError(
        f"on this drive its name falls together with that of {display(os.fsencode(twin))}",
        path=entry.shown,
        remedy="Copy this card to a drive that tells the two names apart.",
    )


def _find_twins(listing: Listing, blind: Blind) -> dict[str, str]:
    """Files that a blind drive would put under the name, or into the folder, of another: which one.

    Folders count as well: two that fall together are a mix that no longer is the card's tree.
    """
    first: dict[str, str] = {}
    folders: dict[str, str | None] = {}

    def twin_of(path: str) -> str | None:
        standing = first.setdefault(fold(os.fsencode(path), case=blind.case, form=blind.form), path)
        return None if standing == path else standing

    def twin_of_folder(path: str) -> str | None:
        if path and path not in folders:
            folders[path] = twin_of_folder(path.rpartition("/")[0]) or twin_of(path)
        return folders.get(path)

    twins = {}
    for entry in listing.files:
        twin = twin_of_folder(entry.path.rpartition("/")[0]) or twin_of(entry.path)
        if twin is not None:
            twins[entry.path] = twin
    return twins
