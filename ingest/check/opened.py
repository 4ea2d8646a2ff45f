"""A folder that is being checked: held against other runs, its hash lists read."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from ingest.card import UNLISTED
from ingest.check.hash_list import HashList, read_hash_list
from ingest.check.ledger import Ledger
from ingest.check.model import Expected
from ingest.check.places import Target
from ingest.durable import Disk, lock_folder, on_destination
from ingest.folders import open_below
from ingest.mhl import Ignore
from ingest.own_chain import is_chain
from shared.errors import DestinationGoneError, ManifestError

Identity = tuple[int, int]  # device and inode


@dataclass(slots=True)
class OpenFolder:
    """`handle` None: there is no such folder, so that all its files are missing. `hash_list` None: it has
    one that can't be relied on, for the reason told when it was opened; nothing is added to it."""

    disk: Disk
    target: Target
    handle: int | None
    root_identity: Identity
    hash_list: HashList | None
    known: Ledger | None
    buffer: memoryview
    junk: Ignore

    def know(self, hash_list: HashList | None, make_ledger: Callable[[HashList], Ledger]) -> None:
        """Take what was read of the folder, once it is held."""
        self.hash_list = hash_list
        self.known = make_ledger(HashList() if hash_list is None else hash_list)

    @property
    def ledger(self) -> Ledger:
        assert self.known is not None, "the folder is held, and nothing was forgotten yet"
        return self.known

    def forget_list(self) -> None:
        """Let go of what is recorded, once no file is held against it any more: a hash list is read anew
        when a generation is added, and a large one should not be in memory twice."""
        self.known = None
        if self.hash_list is not None:
            self.hash_list = HashList()

    def algorithms_for(self, expected: Expected) -> list[str]:
        """Those recorded; where the history has none of them, one of its own as well: it judges by that."""
        algorithms = list(expected.hashes)
        listed = {} if self.hash_list is None else self.hash_list.good(expected.path)
        if listed and algorithms and listed.keys().isdisjoint(algorithms):
            algorithms.append(next(iter(listed)))
        return algorithms

    def is_own_chain(self, path: str) -> bool:
        """Whether it is the chain of a history that was read and found sound. It came with the card, and
        grows with every generation since; each of its manifests is proven by the C4 in it."""
        return bool(self.hash_list) and is_chain(path)

    def contradicts(self, path: str, hashes: Mapping[str, str]) -> bool:
        """Whether the hash list has another good hash for the file than these."""
        listed = {} if self.hash_list is None else self.hash_list.good(path)
        return any(listed.get(algorithm, value) != value for algorithm, value in hashes.items())

    def ignores(self, path: str, folder: bool) -> bool:
        listed = self.hash_list is not None and self.hash_list.ignores(path, folder=folder)
        return listed or self.junk.matches(path, folder=folder)

    def still_there(self) -> None:
        """Raises DestinationGoneError when another thing, or nothing, is mounted where the drive was."""
        try:
            now = identity_of(self.disk, self.target)
        except OSError:
            now = None
        if now != self.root_identity:
            raise DestinationGoneError(
                "the drive is gone",
                path=str(self.target.root),
                remedy="Plug it in again and run again with --oldest: it goes on with what was not proven.",
            )


def identity_of(disk: Disk, target: Target) -> Identity:
    """What the root of a target is now. Raises OSError."""
    handle = disk.open_folder(target.root)
    try:
        found = disk.size_and_times(handle)
        return found.st_dev, found.st_ino
    finally:
        os.close(handle)


@contextmanager
def open_target(
    disk: Disk,
    target: Target,
    buffer: memoryview,
    make_ledger: Callable[[HashList], Ledger],
    on_bad_list: Callable[[ManifestError], None],
) -> Iterator[OpenFolder]:
    """Open and lock a target. `on_bad_list` is told why a reel's hash list can't be relied on: the catalogue
    then stands alone. A bare folder has nothing but its hash list, so there that is an error.

    Raises ConflictError (another run holds it), DestinationError, ManifestError.
    """
    with on_destination(target.shown()):
        identity = identity_of(disk, target)
        handle = _open_if_there(disk, target)
    opened = OpenFolder(disk, target, handle, identity, None, None, buffer, Ignore(UNLISTED))
    if handle is None:
        opened.know(HashList(), make_ledger)
        yield opened
        return
    try:
        with lock_folder(handle, target.shown()):
            opened.know(_read_list(disk, target, on_bad_list), make_ledger)
            yield opened
    finally:
        os.close(handle)


def _open_if_there(disk: Disk, target: Target) -> int | None:
    try:
        return open_below(disk, target.root, target.folder, make=False)
    except (FileNotFoundError, NotADirectoryError):
        return None


def _read_list(disk: Disk, target: Target, on_bad_list: Callable[[ManifestError], None]) -> HashList | None:
    try:
        return read_hash_list(disk, target.top, with_paths=target.holding is None)
    except ManifestError as error:
        if target.holding is None:
            raise
        on_bad_list(error)
        return None
