"""Read a history whole, check it, or read one manifest by itself.

A history that can't be relied on ends in a `ManifestError` that names the file and the rule.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from ingest.durable import Disk
from ingest.mhl.chain import ChainEntry
from ingest.mhl.known import Known
from ingest.mhl.model import FileHash, FileRecord, FolderRecord, Generation, History
from ingest.mhl.parse import Head, ManifestTarget
from ingest.mhl.rules import Problem, as_error, number_in_name
from ingest.mhl.scan import (
    Ignoring,
    Reader,
    Scan,
    check_references,
    open_history_folder,
    read_into_target,
    scan_history,
)
from shared.errors import ManifestError


def read_history(disk: Disk | None, root: Path) -> History | None:
    """The history of the folder `root`, or None when it has none.

    Raises ManifestError naming the file and the rule when the history can't be relied on, and when it
    can't be read. About 300 bytes a record and generation; `append_generation` needs far less.
    """
    building = _Building()
    scan = _scan_root(disk or Disk(), root, building)
    if scan is None:
        return None
    if scan.fatal:
        raise as_error(str(root), scan.fatal)
    return History(root, tuple(building.generations), tuple(scan.problems))


def check_history(root: Path, disk: Disk | None = None) -> list[Problem]:
    """All that is wrong with the history of `root`, what is merely told included; [] for no history.

    Raises ManifestError when it can't be read at all.
    """
    scan = _scan_root(disk or Disk(), root, Ignoring())
    return [] if scan is None else scan.problems


def read_manifest(path: Path, disk: Disk | None = None) -> Generation:
    """A manifest by itself, without a chain that would vouch for it (5.2). `number` is that of its name,
    0 where it has none. Raises ManifestError."""
    disk = disk or Disk()
    building = _Building()
    with _as_manifest_error(str(path)):
        folder = disk.open_folder(path.parent)
        try:
            target = ManifestTarget(
                path.name, known=Known(), on_file=building.take_file, on_folder=building.take_folder
            )
            c4 = read_into_target(disk, folder, path.name, target)
        finally:
            os.close(folder)
    if target.problems or target.head is None:
        raise as_error(str(path.parent), target.problems)
    building.end_generation(ChainEntry(number_in_name(path.name) or 0, path.name, c4), target.head)
    return building.generations[0]


def _scan_root(disk: Disk, root: Path, reader: Reader) -> Scan | None:
    with _as_manifest_error(str(root)):
        handle = disk.open_folder(root)
        try:
            folder = open_history_folder(disk, handle)
        finally:
            os.close(handle)
        if folder is None:
            return None
        try:
            scan = scan_history(disk, folder, reader)
        finally:
            os.close(folder)
        if scan is not None and not scan.fatal:
            scan.problems += check_references(disk, root, scan)
        return scan


@contextmanager
def _as_manifest_error(shown_path: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise ManifestError(
            f"the history can't be read ({error.strerror})",
            path=shown_path,
            remedy="Check the drive and the folder's permissions, then run again.",
        ) from error


class _Building:
    """Builds generations. Equal texts are kept once: a later generation repeats paths and values."""

    def __init__(self) -> None:
        self.generations: list[Generation] = []
        self._files: list[FileRecord] = []
        self._folders: list[FolderRecord] = []
        self._texts: dict[str, str] = {}

    def take_file(self, record: FileRecord, /) -> None:
        hashes = tuple(
            FileHash(found.algorithm, self._once(found.value), found.action, found.hash_date)
            for found in record.hashes
        )
        self._files.append(
            FileRecord(self._once(record.path), record.size, record.mtime, hashes, record.previous_path)
        )

    def take_folder(self, record: FolderRecord, /) -> None:
        self._folders.append(replace(record, path=self._once(record.path)))

    def end_generation(self, entry: ChainEntry, head: Head, /) -> None:
        self.generations.append(
            Generation(
                entry.number,
                entry.name,
                entry.c4,
                head.creator,
                head.process,
                tuple(self._files),
                tuple(self._folders),
                head.root,
                head.ignore,
                head.references,
            )
        )
        self._files, self._folders = [], []

    def _once(self, text: str) -> str:
        return self._texts.setdefault(text, text)
