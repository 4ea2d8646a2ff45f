"""One history while a generation is added to it: opened, locked, read, then written to."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from datetime import datetime
from pathlib import Path

from ingest.durable import Disk, lock_folder, on_destination
from ingest.folders import open_below
from ingest.mhl.chain import ChainEntry, write_chain
from ingest.mhl.ignore import Ignore
from ingest.mhl.known import Known
from ingest.mhl.model import (
    CHAIN,
    FOLDER,
    Action,
    Creator,
    FileHash,
    FileRecord,
    FolderRecord,
    Process,
    Reference,
)
from ingest.mhl.parse import ManifestTarget
from ingest.mhl.publish import PartialFile, remove_leftovers
from ingest.mhl.rules import as_error, number_in_name, shown
from ingest.mhl.scan import (
    Ignoring,
    Scan,
    check_references,
    open_history_folder,
    read_into_target,
    scan_history,
    scan_manifest,
)
from ingest.mhl.write import ManifestWriter, manifest_name
from shared.errors import ManifestError

MAX_DEPTH = 128

WriterMaker = Callable[[PartialFile, Ignore, Known], ManifestWriter]


class Scope:
    """The history of one folder. `path` is that folder below the operation's root, "" for the root itself.

    Its folder is made with the first record, so that an operation that records nothing leaves nothing.
    """

    def __init__(self, disk: Disk, root: Path, path: str, ignore: Sequence[str], stack: ExitStack) -> None:
        """Opens, locks, checks and, after a kill, completes the history that is there.

        Raises ManifestError for one that can't be relied on, ConflictError when another run holds it.
        """
        self.path = path
        self._disk = disk
        self._top = root
        self._root = root / path if path else root
        self._shown = f"{self._root}/{FOLDER}"
        self._stack = stack
        self._out: PartialFile | None = None
        self._writer: ManifestWriter | None = None
        self.root_pair: FolderRecord | None = None
        self.scan = Scan()
        with on_destination(self._shown):
            self._folder = self._open(make=False)
            if self._folder is not None:
                self._read_history(self._folder)
        self.ignore = Ignore([*self.scan.ignore, *ignore])

    @property
    def known(self) -> Known:
        return self.scan.known

    @property
    def last(self) -> ChainEntry | None:
        """The newest manifest, the one of this operation once it is published."""
        return self.scan.entries[-1] if self.scan.entries else None

    @property
    def started(self) -> bool:
        return self._writer is not None

    def writer(self, started_at: datetime, make: WriterMaker) -> ManifestWriter:
        """The stream for this operation's manifest, begun when it is first asked for."""
        if self._writer is None:
            if self._folder is None:
                with on_destination(self._shown):
                    self._folder = self._open(make=True)
            assert self._folder is not None, "a folder that was made can be opened"
            folder_name = self._root.name or self._root.resolve().name
            name = manifest_name(len(self.scan.entries) + 1, folder_name, started_at)
            self._out = PartialFile(self._disk, self._folder, name, self._shown)
            self._writer = make(self._out, self.ignore, self.known)
        return self._writer

    def publish(self, references: Sequence[Reference]) -> Path:
        """The manifest first, then the chain that vouches for it. Returns the manifest's path.

        A kill in between leaves a whole manifest that the chain does not list: readers see the old state,
        and the next operation lists it before it goes on.
        """
        assert self._out is not None and self._writer is not None, "there is something to publish"
        self._writer.close(self.root_pair, references)
        c4 = self._out.settle()
        self._out.publish()
        name, self._out = self._out.name, None
        self._add_to_chain(ChainEntry(len(self.scan.entries) + 1, name, c4))
        return self._root / FOLDER / name

    def _open(self, *, make: bool) -> int | None:
        root = open_below(self._disk, self._top, self.path, make=False)
        try:
            folder = open_history_folder(self._disk, root)
            if folder is None and make:
                self._disk.make_folder(FOLDER, at=root)
                self._disk.sync_folder(root)
                folder = open_history_folder(self._disk, root)
        finally:
            os.close(root)
        if folder is not None:
            self._stack.callback(os.close, folder)
            self._stack.enter_context(lock_folder(folder, self._shown))
            self._stack.callback(self._abandon)
            remove_leftovers(self._disk, folder, self._shown)
        return folder

    def _read_history(self, folder: int) -> None:
        scan = scan_history(self._disk, folder, Ignoring())
        if scan is None:
            return
        self.scan = scan
        if not scan.fatal:
            scan.problems += check_references(self._disk, self._root, scan)
        if not scan.fatal:
            self._adopt(folder)
        if scan.fatal:
            raise as_error(str(self._root), scan.fatal)

    def _adopt(self, folder: int) -> None:
        """List a manifest that a kill kept out of the chain.

        Only one can be left so, with the number that is due; it was synced, read again and compared before
        it got its name, and it must keep every rule. Anything else unlisted is left alone.
        """
        due = len(self.scan.entries) + 1
        if len(self.scan.unlisted) != 1 or number_in_name(self.scan.unlisted[0]) != due:
            return
        name = self.scan.unlisted[0]
        trial = ManifestTarget(
            f"{FOLDER}/{shown(name)}",
            known=Known(),
            ignored=tuple(self.scan.ignore),
            on_file=lambda _: None,
            on_folder=lambda _: None,
        )
        c4 = read_into_target(self._disk, folder, name, trial)
        if trial.problems:
            return
        entry = ChainEntry(due, name, c4)
        scan_manifest(self._disk, folder, entry, self.scan, Ignoring())
        if not self.scan.fatal:
            self._folder = folder
            self._add_to_chain(entry)

    def _add_to_chain(self, entry: ChainEntry) -> None:
        assert self._folder is not None, "a history with a manifest has a folder"
        self.scan.entries.append(entry)
        chain = PartialFile(self._disk, self._folder, CHAIN, self._shown)
        try:
            write_chain(chain, self.scan.entries)
            chain.settle()
            chain.replace()
        except BaseException:
            chain.discard()
            raise

    def _abandon(self) -> None:
        """After an error: nothing half-written stays where it can be removed."""
        if self._out is None:
            return
        if self._writer is not None:
            self._writer.abandon()
        self._out.discard()


def find_scopes(disk: Disk, root: Path) -> list[str]:
    """The folders below `root` that have a history of their own, through no link, outer ones first.

    What may not be looked into is passed over: nothing in it can be recorded either. Raises OSError.
    """
    found: list[str] = []
    waiting = [""]
    while waiting:
        path = waiting.pop()
        with suppress(PermissionError):
            folders = _folders_in(disk, root, path)
            if FOLDER in folders:
                folders.remove(FOLDER)
                if path and _has_history(disk, root, f"{path}/{FOLDER}"):
                    found.append(path)
            if path.count("/") < MAX_DEPTH:
                waiting += [f"{path}/{name}" if path else name for name in folders]
    return sorted(found)


def _folders_in(disk: Disk, root: Path, path: str) -> list[str]:
    handle = open_below(disk, root, path, make=False)
    try:
        with os.scandir(handle) as entries:
            return [entry.name for entry in entries if entry.is_dir(follow_symlinks=False)]
    finally:
        os.close(handle)


def _has_history(disk: Disk, root: Path, path: str) -> bool:
    handle = open_below(disk, root, path, make=False)
    try:
        with os.scandir(handle) as entries:
            return any(entry.name == CHAIN or entry.name.endswith(".mhl") for entry in entries)
    finally:
        os.close(handle)


def with_actions(record: FileRecord, known: Known) -> FileRecord:
    """Say of each hash whether it is the first of its file, equal to the earlier one, or failed (5.2).

    An action that is given is kept. A new format is verified along with one that the history has; a file
    of which the history has other formats alone can't be judged, and is refused: calling its hash good
    could hide that the file has changed. Raises ManifestError.
    """
    if all(found.action is not None for found in record.hashes):
        return record
    good = known.values(record.path if record.previous_path is None else record.previous_path)
    action: Action = "original"
    if good:
        shared = [found for found in record.hashes if found.algorithm in good]
        if not shared:
            raise ManifestError(
                f"its history has {', '.join(good)}, which was not computed now, so it can't be verified",
                path=shown(record.path),
                remedy=f"Compute {next(iter(good))} along with the new hash.",
            )
        same = all(found.value == good[found.algorithm] for found in shared)
        action = "verified" if same else "failed"
    hashes = tuple(
        found if found.action else FileHash(found.algorithm, found.value, action, found.hash_date)
        for found in record.hashes
    )
    return FileRecord(record.path, record.size, record.mtime, hashes, record.previous_path)


def maker(creator: Creator, process: Process, root_algorithm: str | None) -> WriterMaker:
    """What begins a manifest of this operation; all of them have the same head."""

    def make(out: PartialFile, ignore: Ignore, known: Known) -> ManifestWriter:
        return ManifestWriter(out, creator, process, ignore, known, root_algorithm=root_algorithm)

    return make
