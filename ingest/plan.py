"""Decide what is copied where, before the first byte moves.

The plan knows what is proven already, refuses what can't end well (a destination on the card, too little
space, names that fall together on a case-blind drive), and warns of what weakens the copies.
"""

from __future__ import annotations

import os
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from ingest.card import Listing
from ingest.durable import Disk, destination_error
from ingest.files import Entry
from ingest.folders import open_below
from ingest.misfits import Blind, Misfits
from ingest.tasks import Task, Tasks
from shared.catalogue.chunks import in_chunks
from shared.errors import AppError, DestinationFullError, UsageError
from shared.names import display

__all__ = ["KnownCopy", "KnownFile", "Place", "Plan", "Refusal", "Task", "make_plan", "open_places"]

BLOCK = 4096
AT_A_TIME = 1000  # files that are looked up together, in the catalogue and on the drives
# Folders in which a system mounts drives: a missing folder right below means the drive is not there.
MOUNT_PARENTS = ("/mnt", "/media", "/run/media", "/Volumes")


@dataclass(frozen=True, slots=True)
class KnownCopy:
    """What the catalogue recorded when a copy was proven; `mtime_ns` is the copy's own."""

    size: int
    mtime_ns: int | None


@dataclass(frozen=True, slots=True)
class KnownFile:
    """A file of this reel as recorded by an earlier offload. `proven`: by destination folder."""

    size: int
    mtime_ns: int
    digest: str | None
    proven: Mapping[Path, KnownCopy] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Place:
    """One destination, with the folder below it that this reel fills. `root` is resolved; `device` is its
    file system's number, `drives` are the physical ones under that."""

    root: Path
    folder: str
    device: int
    drives: frozenset[str]
    blind: Blind
    filesystem: str | None

    @property
    def shown(self) -> str:
        return display(os.fsencode(self.root))

    @property
    def reel_root(self) -> Path:
        return self.root / self.folder

    def below(self, path: str) -> str:
        """The path from this place's root to a folder of the card; "" is the card's own."""
        return f"{self.folder}/{path}" if path else self.folder


@dataclass(frozen=True, slots=True)
class Refusal:
    """Something the plan will not do at one place: a whole destination (`path` is None) or one file."""

    place: int
    path: str | None
    error: AppError


@dataclass(frozen=True, slots=True)
class Plan:
    listing: Listing
    places: tuple[Place, ...]
    tasks: Tasks
    refusals: tuple[Refusal, ...]
    warnings: tuple[str, ...]

    @property
    def bytes_to_read(self) -> int:
        return sum(task.entry.size for task in self.tasks if task.needs_reading)

    def bytes_for(self, place: int) -> int:
        """Bytes that will be written to or proven at this place."""
        return sum(t.entry.size for t in self.tasks if place in t.write or place in t.prove)

    def bytes_to_write(self, place: int) -> int:
        return sum(task.entry.size for task in self.tasks if place in task.write)

    def refuses(self, place: int) -> bool:
        """Whether nothing at all is to be written at this place."""
        return any(refusal.place == place and refusal.path is None for refusal in self.refusals)


def open_places(
    listing: Listing, roots: Sequence[Path], folder: str, disk: Disk
) -> tuple[tuple[Place, ...], tuple[str, ...]]:
    """Look at every destination; returns the places and a note for each folder that was made.

    Raises UsageError for a destination that is missing, doubled, on the card, or around it.
    """
    notes = []
    places: list[Place] = []
    card = listing.root
    for root in roots:
        shown = display(os.fsencode(root))
        if not root.is_dir():
            # Looked at before it is made: nothing is ever made on a card.
            if root.absolute().parent.is_dir() and _lies_in(root.absolute().parent.resolve(), card):
                raise _on_the_card(shown)
            _make(root, shown, disk)
            notes.append(f"made the folder {shown}")
        real = root.resolve()
        if _lies_in(real, card) or _lies_in(card, real):
            raise _on_the_card(shown)
        if any(_lies_in(real, place.root) and _lies_in(place.root, real) for place in places):
            raise UsageError("the same destination twice", path=shown, remedy="Name two different folders.")
        places.append(_look_at(real, folder, disk, shown))
    return tuple(places), tuple(notes)


def _on_the_card(shown: str) -> UsageError:
    return UsageError(
        "the destination and the card lie inside each other",
        path=shown,
        remedy="A copy on the card is no copy: choose a folder on another drive.",
    )


def _lies_in(inner: Path, outer: Path) -> bool:
    """Whether one folder is the other or below it, by what they are: a mount may have several names."""
    try:
        there = outer.stat()
        return any(os.path.samestat(there, folder.stat()) for folder in (inner, *inner.parents))
    except OSError as error:
        raise UsageError(
            f"it can't be looked at ({error.strerror})",
            path=display(os.fsencode(error.filename or inner)),
            remedy="Check the card, the drive and their cables.",
        ) from error


def _make(root: Path, shown: str, disk: Disk) -> None:
    """Make one missing folder, but never where a drive should be mounted."""
    parent = root.absolute().parent
    mounts = [Path(text) for text in MOUNT_PARENTS]
    if not parent.is_dir() or parent in mounts or parent.parent in mounts[1:3]:
        raise UsageError(
            "there is no such folder", path=shown, remedy="Plug the drive in, or make the folder first."
        )
    try:
        above = disk.open_folder(parent.resolve())
        try:
            disk.make_folder(root.name, at=above)
            disk.sync_folder(above)
        finally:
            os.close(above)
    except OSError as error:
        raise UsageError(
            f"the folder can't be made ({error.strerror})", path=shown, remedy="Choose another folder."
        ) from error


def _look_at(root: Path, folder: str, disk: Disk, shown: str) -> Place:
    try:
        handle = disk.open_folder(root)
    except OSError as error:
        raise UsageError(
            f"the destination can't be opened ({error.strerror})", path=shown, remedy="Check the drive."
        ) from error
    try:
        device, drives = os.fstat(handle).st_dev, disk.drives(handle)
        return Place(root, folder, device, drives, _blindness(root), filesystem_of(root))
    finally:
        os.close(handle)


def _blindness(root: Path) -> Blind:
    """Which names are one here, tried with an empty file of our own (removed at once)."""
    for letter in ("\u00e9", "e"):  # a drive may keep ASCII alone
        name = f".rushlight-{letter}-{os.getpid()}.partial"
        try:
            (root / name).touch(exist_ok=True)
        except OSError:
            continue
        try:
            decomposed = unicodedata.normalize("NFD", name)
            return Blind(
                case=(root / name.replace("rushlight", "RUSHLIGHT")).exists(),
                form=decomposed != name and (root / decomposed).exists(),
            )
        except OSError:
            continue
        finally:
            with suppress(OSError):
                (root / name).unlink(missing_ok=True)
    return Blind()  # it can't be written to; the copy itself will say so with the reason


def filesystem_of(path: Path) -> str | None:
    """The file system's type as the mount table names it; None where there is no such table."""
    try:
        lines = Path("/proc/self/mounts").read_text(errors="surrogateescape").splitlines()
    except OSError:
        return None
    best, kind = "", None
    for line in lines:
        parts = line.split(" ")
        mount = parts[1].encode("latin-1", "replace").decode("unicode_escape", "replace")
        inside = path == Path(mount) or Path(mount) in path.parents
        if inside and len(mount) >= len(best):
            best, kind = mount, parts[2]
    return kind


def make_plan(
    listing: Listing,
    places: Sequence[Place],
    known: Callable[[Sequence[Entry]], Mapping[str, KnownFile]],
    disk: Disk,
    *,
    margin_percent: int,
    prove_again: bool,
) -> Plan:
    """Plan the copying of every file to every place.

    `known` is asked, for some files at a time, what an earlier offload of this reel recorded of them, by
    path. `prove_again`: read the card and every copy once more even where the catalogue holds a proof (a
    card that came back with more on it); otherwise a proven, unchanged copy is kept and not read.
    """
    tasks = Tasks(listing.files)
    refusals: list[Refusal] = []
    misfits = [Misfits(listing, place.filesystem, place.blind) for place in places]
    for entries in in_chunks(listing.files, AT_A_TIME):
        remembered = known(entries)
        present = [_present_files(place, entries, disk) for place in places]
        for entry in entries:
            open_to = []
            for number in range(len(places)):
                error = misfits[number].fault_of(entry, present[number].get(entry.path))
                if error is None:
                    open_to.append(number)
                else:
                    refusals.append(Refusal(number, entry.path, error))
            tasks.append(_plan_file(entry, places, open_to, present, remembered.get(entry.path), prove_again))
    refusals.sort(key=lambda refusal: refusal.place)
    warnings = (*listing.notes, *_device_warnings(listing, places))
    return _refuse_full(Plan(listing, tuple(places), tasks, tuple(refusals), warnings), disk, margin_percent)


def _plan_file(
    entry: Entry,
    places: Sequence[Place],
    open_to: Sequence[int],
    present: Sequence[Mapping[str, os.stat_result]],
    known: KnownFile | None,
    prove_again: bool,
) -> Task:
    unchanged = known is not None and (known.size, known.mtime_ns) == (entry.size, entry.mtime_ns)
    write, prove, kept = [], [], []
    for number in open_to:
        found = present[number].get(entry.path)
        if found is None:
            write.append(number)
            continue
        proof = known.proven.get(places[number].root) if known is not None else None
        standing = (found.st_size, found.st_mtime_ns)
        if unchanged and proof and (proof.size, proof.mtime_ns) == standing and not prove_again:
            kept.append(number)
        else:
            prove.append(number)
    return Task(entry, tuple(write), tuple(prove), tuple(kept), known.digest if known else None)


def _present_files(place: Place, entries: Sequence[Entry], disk: Disk) -> dict[str, os.stat_result]:
    """What stands under each file's final name already."""
    present: dict[str, os.stat_result] = {}
    folder_path: str | None = None
    handle: int | None = None
    try:
        for entry in entries:
            path, _, name = entry.path.rpartition("/")
            if path != folder_path:
                if handle is not None:
                    os.close(handle)
                folder_path, handle = path, _open_if_there(place, path, disk)
            if handle is None:
                continue
            with suppress(OSError):
                present[entry.path] = disk.stat_at(name, at=handle)
    finally:
        if handle is not None:
            os.close(handle)
    return present


def _open_if_there(place: Place, path: str, disk: Disk) -> int | None:
    try:
        return open_below(disk, place.root, place.below(path), make=False)
    except OSError:
        return None


def _device_warnings(listing: Listing, places: Sequence[Place]) -> tuple[str, ...]:
    """One line for each set of things that die together: copies that share a drive, or the card's own."""
    groups: list[tuple[frozenset[str], list[str]]] = []
    for drives, name in [(listing.drives, "the card's folder"), *((p.drives, p.shown) for p in places)]:
        joined, names = drives, [name]
        for group in [g for g in groups if g[0] & drives]:
            groups.remove(group)
            joined, names = joined | group[0], group[1] + names
        groups.append((joined, names))
    return tuple(_device_warning(names) for _, names in groups if len(names) > 1)


def _device_warning(names: Sequence[str]) -> str:
    *others, last = names
    together = f"{', '.join(others)} and {last} are on the same drive: when it dies, all of them are gone."
    copies = sum(name != "the card's folder" for name in names)
    return together + (" Copies on one drive count as one copy." if copies > 1 else "")


def _refuse_full(plan: Plan, disk: Disk, margin_percent: int) -> Plan:
    """Refuse a destination that can't hold what it should; the others keep their tasks."""
    refusals, tasks = list(plan.refusals), plan.tasks
    promised: dict[int, int] = defaultdict(int)  # places on one file system draw from the same space
    for number, place in enumerate(plan.places):
        written = [0, 0]  # files, and bytes in whole blocks
        for task in tasks:
            if number in task.write:
                written[0] += 1
                written[1] += (task.entry.size + BLOCK - 1) // BLOCK * BLOCK
        files, blocks = written
        needed = promised[place.device] + blocks + blocks * margin_percent // 100
        if not files:
            continue
        error = _too_little_space(place, needed, disk)
        if error is None:
            promised[place.device] = needed
        else:
            refusals.append(Refusal(number, None, error))
            tasks = tasks.without(number)
    return replace(plan, refusals=tuple(refusals), tasks=tasks)


def _too_little_space(place: Place, needed: int, disk: Disk) -> AppError | None:
    try:
        free = disk.free_bytes(place.root)
    except OSError as error:  # the drive went after it was looked at
        return destination_error(error, place.shown)
    if needed <= free:
        return None
    return DestinationFullError(
        f"{needed:,} bytes are needed and {free:,} are free",
        path=place.shown,
        remedy="Free space or choose another drive; nothing was written there.",
    )
