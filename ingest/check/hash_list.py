"""The hash lists of a folder, its own and those nested in it, as a check needs them: small at any size.

`ingest.mhl.read_history` gives the same history whole, at some 300 bytes a record and generation; here a
file costs about as much once, so that a hundred thousand of them fit.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Literal

from ingest.durable import Disk
from ingest.folders import open_below
from ingest.mhl import (
    FileHash,
    FileRecord,
    FolderRecord,
    Ignore,
    append_generation,
    find_scopes,
    utc_from_ns,
    why_unrecordable,
)
from ingest.mhl.chain import ChainEntry
from ingest.mhl.known import Known
from ingest.mhl.parse import Head
from ingest.mhl.rules import as_error
from ingest.mhl.scan import check_references, open_history_folder, scan_history
from ingest.spool import Spool
from shared.errors import ManifestError

Listed = dict[str, tuple[int | None, int]]  # by path: size in bytes, number of the last generation with it


class HashList:
    """What the histories below a folder say together. Paths are relative to that folder.

    `warnings` take nothing from their truth. Empty where there is no history.
    """

    def __init__(self) -> None:
        self._scopes: dict[str, tuple[Known, Ignore]] = {}
        self.listed: Listed = {}
        self.warnings: list[str] = []

    def __bool__(self) -> bool:
        return bool(self._scopes)

    def good(self, path: str) -> Mapping[str, str]:
        """The good hashes of a file by format; empty when it has none."""
        if not self._scopes:
            return {}
        scope = self._nearest(path)
        found = self._scopes.get(scope)
        if found is None or not _is_text(path):
            return {}
        return found[0].values(_inside(scope, path))

    def ignores(self, path: str, *, folder: bool) -> bool:
        """Whether the list of the history next above names it. Folders named `ascmhl` always are."""
        if not self._scopes:
            return False
        scope = self._nearest(path)
        found = self._scopes.get(scope)
        return found is not None and found[1].matches(_inside(scope, path), folder=folder)

    def add(self, scope: str, known: Known, ignore: Ignore) -> None:
        self._scopes[scope] = (known, ignore)

    def _nearest(self, path: str) -> str:
        if len(self._scopes) > 1:
            above = path.rpartition("/")[0]
            while above:
                if above in self._scopes:
                    return above
                above = above.rpartition("/")[0]
        return ""


def _is_text(path: str) -> bool:
    """Whether a name is text at all: no hash list has one that is not."""
    return path.isprintable() or why_unrecordable(path) is None


def _inside(scope: str, path: str) -> str:
    return path.removeprefix(f"{scope}/") if scope else path


def read_hash_list(disk: Disk, root: Path, *, with_paths: bool) -> HashList:
    """Read every history of the folder `root`. `with_paths`: keep what they list, for a bare folder.

    Raises ManifestError naming the file and the rule when one can't be relied on or can't be read.
    """
    hash_list = HashList()
    try:
        for scope in ("", *find_scopes(disk, root)):
            _read_scope(disk, root, scope, hash_list, with_paths)
    except OSError as error:
        raise ManifestError(
            f"the hash list can't be read ({error.strerror})",
            path=str(root),
            remedy="Check the drive and the folder's permissions, then run again.",
        ) from error
    return hash_list


def _read_scope(disk: Disk, root: Path, scope: str, hash_list: HashList, with_paths: bool) -> None:
    top = root / scope if scope else root
    handle = open_below(disk, root, scope, make=False)
    try:
        folder = open_history_folder(disk, handle)
    finally:
        os.close(handle)
    if folder is None:
        return
    reader = _Paths(scope, hash_list.listed) if with_paths else _Nothing()
    try:
        scan = scan_history(disk, folder, reader)
    finally:
        os.close(folder)
    if scan is None:
        return
    if not scan.fatal:
        scan.problems += check_references(disk, top, scan)
    if scan.fatal:
        raise as_error(str(top), scan.fatal)
    hash_list.warnings += [f"{top}/{problem}" for problem in scan.problems]
    hash_list.add(scope, scan.known, Ignore(scan.ignore))


class _Nothing:
    """Takes a history of which the good hashes alone are wanted."""

    def take_file(self, record: FileRecord, /) -> None:
        pass

    def take_folder(self, record: FolderRecord, /) -> None:
        pass

    def end_generation(self, entry: ChainEntry, head: Head, /) -> None:
        pass


class _Paths(_Nothing):
    """Keeps the present path of every file: a rename takes the old one away, unless it was given anew."""

    def __init__(self, scope: str, listed: Listed) -> None:
        self._above = f"{scope}/" if scope else ""
        self._listed = listed
        self._generation = 1
        self._left: list[str] = []

    def take_file(self, record: FileRecord, /) -> None:
        self._listed[self._above + record.path] = (record.size, self._generation)
        if record.previous_path is not None:
            self._left.append(self._above + record.previous_path)

    def end_generation(self, entry: ChainEntry, head: Head, /) -> None:
        for path in self._left:
            if self._listed.get(path, (None, self._generation))[1] < self._generation:
                del self._listed[path]
        self._left = []
        self._generation += 1


class Records:
    """The records of one folder's next generation, kept in a file until it is written."""

    def __init__(self) -> None:
        self._spool = Spool()

    def __len__(self) -> int:
        return len(self._spool)

    def add(self, path: str, size: int, mtime_ns: int, hashes: Mapping[str, str], *, failed: bool) -> None:
        """`failed`: the bytes are not those recorded, whatever the history says of them."""
        self._spool.add([path, size, mtime_ns, dict(hashes), failed])

    def close(self) -> None:
        self._spool.close()

    def __iter__(self) -> Iterator[FileRecord]:
        for path, size, mtime_ns, hashes, failed in self._spool:
            yield FileRecord(
                path,
                size,
                utc_from_ns(mtime_ns),
                tuple(
                    FileHash(algorithm, value, "failed" if failed else None)
                    for algorithm, value in hashes.items()
                ),
            )


def write_generation(
    disk: Disk,
    root: Path,
    records: Records,
    *,
    process: Literal["in-place", "transfer"],
    started: dt.datetime,
    algorithm: str,
    complete: bool,
    ignore: Sequence[str],
    empty_folders: Sequence[str] = (),
) -> tuple[Path | None, list[str]]:
    """Append what was found to the history of `root`, begun when there is none.

    Returns the manifest, None when no record could go into one, and the paths that no hash list can hold.
    Raises as `append_generation`.
    """
    left_out = [record.path for record in records if why_unrecordable(record.path)]
    if len(left_out) == len(records):
        return None, left_out
    unfit = set(left_out)
    manifest = append_generation(
        disk,
        root,
        (record for record in records if record.path not in unfit),
        process=process,
        started_at=started,
        algorithm=algorithm,
        complete=complete and not unfit,
        ignore=ignore,
        empty_folders=empty_folders,
        on_ignored=left_out.append,
    )
    return manifest, left_out
