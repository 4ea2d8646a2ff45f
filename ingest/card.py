"""List a card: everything on it, by name, without changing or following anything.

A card is hostile until shown otherwise: links are not followed, pipes and devices are not opened, and
depth and number of entries are bounded (a damaged FAT can loop). Whatever is not a plain file is named
with the reason it will not be copied, so that nothing on the card goes unaccounted for.
"""

from __future__ import annotations

import os
import stat
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ingest.durable import Disk, card_error
from ingest.files import EARLIEST_NS, LATEST_NS, Entry, Files
from shared.errors import UsageError
from shared.names import display

MAX_DEPTH = 64
MAX_ENTRIES = 2_000_000
SPARSE_BYTES = 1024 * 1024  # smaller files may be stored without blocks of their own
NAMED = 10  # how many of a kind are told of by name

# What computers, not cameras, leave on a card. Common practice, no source. Nothing else is skipped.
JUNK_FILES = frozenset({".DS_Store", "Thumbs.db", "desktop.ini", ".VolumeIcon.icns", ".apdisk"})
JUNK_FOLDERS = frozenset(
    {
        ".Spotlight-V100",
        ".Trashes",
        ".fseventsd",
        ".TemporaryItems",
        ".DocumentRevisions-V100",
        "System Volume Information",
        "$RECYCLE.BIN",
        "lost+found",
    }
)
# What no hash list of ours holds: the above, what is unfinished, what a repair set aside.
UNLISTED = (
    *sorted(JUNK_FILES),
    *(f"{name}/" for name in sorted(JUNK_FOLDERS)),
    f"*.{'[0-9a-f]' * 8}.partial",
    f"*.bad-{'[0-9]' * 14}",
)
_APPLE_DOUBLE = bytes.fromhex("00051607")  # RFC 1740, appendix B: what "._name" companions begin with


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something on the card that is not copied, and why. `junk`: on the explicit list above."""

    path: str
    reason: str
    junk: bool

    @property
    def shown(self) -> str:
        return display(os.fsencode(self.path))


@dataclass(frozen=True, slots=True)
class Listing:
    """All of a card at one moment, files in the order in which they will be read. `root` is resolved;
    `drives`: what `Disk.drives` says of it; `notes`: what is copied, and not as a person may expect."""

    root: Path
    drives: frozenset[str]
    files: Sequence[Entry]
    folders: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...] = ()

    @property
    def total_bytes(self) -> int:
        return sum(entry.size for entry in self.files)

    @property
    def empty_folders(self) -> tuple[str, ...]:
        """Folders with nothing below them that is copied."""
        full: set[str] = set()
        for path in (*(entry.path for entry in self.files), *self.folders):
            above = path.rpartition("/")[0]
            while above and above not in full:
                full.add(above)
                above = above.rpartition("/")[0]
        return tuple(path for path in self.folders if path not in full)


def read_card(root: Path, disk: Disk) -> Listing:
    """List the whole tree below `root`. Raises UsageError when there is no folder to list.

    A folder that can't be read is left out, with the reason: the rest of the card is still copied.
    """
    try:
        # The link that a person names is followed, once; links on the card are not.
        root = Path(os.path.realpath(root))
        top = disk.open_folder(root)
    except OSError as error:
        raise UsageError(
            f"no card can be read there ({error.strerror})",
            path=display(os.fsencode(root)),
            remedy="Name the folder at which the card is mounted.",
        ) from error
    walk = _Walk(disk)
    try:
        drives = disk.drives(top)
        walk.folder(top, "", 0)
    finally:
        os.close(top)
    folders, left_out = tuple(sorted(walk.folders)), tuple(walk.left_out)
    return Listing(root, drives, walk.files.in_reading_order(), folders, left_out, walk.notes())


class _Walk:
    def __init__(self, disk: Disk) -> None:
        self._disk = disk
        self.files = Files()
        self.folders: list[str] = []
        self.left_out: list[LeftOut] = []
        self._names: dict[tuple[int, int], list[str]] = defaultdict(list)
        self._sparse: list[str] = []
        self._knows_blocks = False

    def notes(self) -> tuple[str, ...]:
        """Files with several names, and files with holes: both grow by being copied."""
        linked = [
            f"{_few(names)} are one file on the card (hard links); each is copied as a file of its own"
            for names in self._names.values()
            if len(names) > 1
        ]
        sparse = self._sparse if self._knows_blocks else []
        return (*_first(linked, "files have several names on the card"), *_first(sparse, "are sparse"))

    def folder(self, handle: int, path: str, depth: int) -> None:
        try:
            with os.scandir(handle) as entries:
                names = sorted(entry.name for entry in entries)
        except OSError as error:
            self._leave_out(path or ".", card_error(error, path).message)
            return
        if path:
            self.folders.append(path)
        for name in names:
            self._entry(handle, name, f"{path}/{name}" if path else name, depth)

    def _entry(self, folder: int, name: str, path: str, depth: int) -> None:
        if len(self.files) + len(self.folders) >= MAX_ENTRIES:
            raise UsageError(
                f"more than {MAX_ENTRIES} entries",
                path=display(os.fsencode(path)),
                remedy="This is no card, or its file system is damaged; check it before you copy it.",
            )
        try:
            found = self._disk.stat_at(name, at=folder)
        except OSError as error:
            self._leave_out(path, card_error(error, path).message)
            return
        if stat.S_ISDIR(found.st_mode):
            self._subfolder(folder, name, path, depth)
        elif not stat.S_ISREG(found.st_mode):
            self._leave_out(path, _what_it_is(found.st_mode))
        elif name in JUNK_FILES or (name.startswith("._") and self._is_apple_double(folder, name)):
            self._leave_out(path, "left by a computer", junk=True)
        elif not EARLIEST_NS <= found.st_mtime_ns <= LATEST_NS:
            self._leave_out(path, "its time stamp is beyond what a catalogue can hold")
        else:
            entry = Entry(path, found.st_size, found.st_mtime_ns)
            self.files.append(entry)
            self._note(entry, found)

    def _note(self, entry: Entry, found: os.stat_result) -> None:
        if found.st_nlink > 1:
            self._names[found.st_dev, found.st_ino].append(entry.path)
        stored = found.st_blocks * 512  # POSIX leaves the unit open; on every system we know it is this
        self._knows_blocks |= stored > 0
        if entry.size >= SPARSE_BYTES and stored <= entry.size // 2:
            self._sparse.append(
                f"{entry.shown} has {entry.size:,} bytes, of which the card stores {stored:,}: it is sparse, "
                "and its copies hold every byte"
            )

    def _subfolder(self, folder: int, name: str, path: str, depth: int) -> None:
        if name in JUNK_FOLDERS:
            self._leave_out(path, "left by a computer", junk=True)
            return
        if depth >= MAX_DEPTH:
            self._leave_out(path, f"more than {MAX_DEPTH} folders deep: is the card's file system damaged?")
            return
        try:
            handle = self._disk.open_folder(name, at=folder)
        except OSError as error:
            self._leave_out(path, card_error(error, path).message)
            return
        try:
            self.folder(handle, path, depth + 1)
        finally:
            os.close(handle)

    def _leave_out(self, path: str, reason: str, *, junk: bool = False) -> None:
        self.left_out.append(LeftOut(path, reason, junk))

    def _is_apple_double(self, folder: int, name: str) -> bool:
        try:
            handle = self._disk.open_source(name, at=folder)
        except OSError:
            return False
        try:
            start = bytearray(len(_APPLE_DOUBLE))
            return self._disk.read_into(handle, memoryview(start)) == len(start) and start == _APPLE_DOUBLE
        except OSError:
            return False
        finally:
            os.close(handle)


def _few(paths: list[str]) -> str:
    """Names for a sentence, the last ones counted where there are many."""
    shown = [display(os.fsencode(path)) for path in paths[:NAMED]]
    more = len(paths) - len(shown)
    return f"{', '.join(shown)} and {more} more" if more else f"{', '.join(shown[:-1])} and {shown[-1]}"


def _first(notes: list[str], others: str) -> list[str]:
    more = len(notes) - NAMED
    return notes if more <= 0 else [*notes[:NAMED], f"{more} more {others}"]


def _what_it_is(mode: int) -> str:
    if stat.S_ISLNK(mode):
        return "it is a link, and links are not followed"
    if stat.S_ISFIFO(mode):
        return "it is a pipe, no file"
    if stat.S_ISSOCK(mode):
        return "it is a socket, no file"
    return "it is a device, no file"
