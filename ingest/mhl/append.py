"""Add a generation to the history of a folder, and to every history nested in it (5.3.2).

A file is recorded in the nearest history above it. Histories are published from the inside out, since an
outer manifest points to the inner ones. What the specification leaves open is decided so:

- An inner history without a record in this operation gets no generation (the schema wants at least one);
  the outer manifest then points to the newest one there is. An outer history without one is left alone.
- An outer manifest points to the histories next below it; those point further down themselves.
- The root folder of an inner history has its pair of hashes in the outer manifest, as a folder like
  others; what is below it is recorded in the inner one alone.
- Ignore patterns given for the operation hold in the inner histories too, unless they are anchored.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Literal

from ingest.durable import Disk, on_destination
from ingest.mhl.folders import FolderTree
from ingest.mhl.ignore import is_anchored
from ingest.mhl.model import FOLDER, Author, Creator, FileHash, FileRecord, FolderRecord, Reference
from ingest.mhl.rules import shown, why_unrecordable
from ingest.mhl.scope import Scope, find_scopes, maker, with_actions
from shared.errors import ManifestError, UsageError

TOOL = "Rushlight"


def append_generation(
    disk: Disk,
    root: Path,
    files: Iterable[FileRecord],
    *,
    process: Literal["transfer", "in-place"],
    started_at: datetime,
    algorithm: str,
    complete: bool,
    ignore: Sequence[str] = (),
    comment: str | None = None,
    empty_folders: Sequence[str] = (),
    authors: Sequence[Author] = (),
    location: str | None = None,
    on_ignored: Callable[[str], None] | None = None,
    more_hashes: Callable[[str, str], str | None] | None = None,
) -> Path:
    """Write one manifest for `root` and list it in its chain. Returns the manifest's path.

    The history that is there is read and checked first; nothing of it is ever changed. `files` may come
    from a generator and are written as they come; those with a `previous_path` come first when their old
    name is used by another file now. A hash without action gets the one that the history calls for.
    `complete`: every file below `root` that is not ignored was hashed in this operation; only then are
    folder hashes given (G 2.5.3), in `algorithm`, which every record must then have. `empty_folders`:
    folders without any file. `on_ignored` is told each path that the history's ignore list leaves out;
    without it such a record is refused. `more_hashes` is asked, with path and format, for one more hash of a
    file of which the history has other formats alone; None, or no such function: the record is refused.

    Raises ManifestError (a history that can't be relied on, a record that can't be written), UsageError
    (nothing to record, a text that can't be written), ConflictError (another run holds the history),
    DestinationError, ChecksumMismatchError (the drive gave back other bytes than were written).
    """
    if started_at.tzinfo is None:
        raise ValueError("started_at has no time zone")
    creator = Creator(
        datetime.now(UTC), socket.gethostname(), TOOL, _version(), tuple(authors), location, comment
    )
    with ExitStack() as stack:
        operation = _Operation(
            scopes=_open_scopes(disk, root, ignore, stack),
            creator=creator,
            process=process,
            started_at=started_at,
            tree=FolderTree(algorithm) if complete else None,
            on_ignored=on_ignored,
            more_hashes=more_hashes,
        )
        for record in files:
            operation.add(record)
        operation.add_folders(empty_folders)
        return operation.publish(root)


def _open_scopes(disk: Disk, root: Path, ignore: Sequence[str], stack: ExitStack) -> dict[str, Scope]:
    with on_destination(str(root)):
        paths = ["", *find_scopes(disk, root)]
    anywhere = [pattern for pattern in ignore if not is_anchored(pattern)]
    return {path: Scope(disk, root, path, anywhere if path else ignore, stack) for path in paths}


class _Operation:
    """The records of one operation on their way to the histories that they belong to."""

    def __init__(
        self,
        *,
        scopes: dict[str, Scope],
        creator: Creator,
        process: Literal["transfer", "in-place"],
        started_at: datetime,
        tree: FolderTree | None,
        on_ignored: Callable[[str], None] | None,
        more_hashes: Callable[[str, str], str | None] | None,
    ) -> None:
        self._scopes = scopes
        self._started_at = started_at
        self._tree = tree
        self._on_ignored = on_ignored
        self._more_hashes = more_hashes
        self._make = maker(creator, process, None if tree is None else tree.algorithm)

    def add(self, record: FileRecord) -> None:
        """Write the record of a file into its history's manifest. Raises ManifestError."""
        if problem := why_unrecordable(record.path):
            raise ManifestError(
                f"it can't be recorded in a hash list: {problem}",
                path=shown(record.path),
                remedy="The manifest was not written. Give the file another name, or leave it out.",
            )
        scope = self._nearest(record.path)
        if self._left_out(scope, record.path, folder=False):
            return
        inside = self._within(scope, record)
        judged = with_actions(self._comparable(record.path, inside, scope), scope.known)
        if judged.previous_path is not None:
            scope.known.forget(judged.previous_path)
        scope.writer(self._started_at, self._make).add_file(judged)
        if self._tree is not None:
            self._add_to_tree(self._tree, record)

    def add_folders(self, empty: Sequence[str]) -> None:
        """Write the hashes of all folders, now that every file is known."""
        if self._tree is None:
            return
        for path in empty:
            if not self._left_out(self._nearest(path), path, folder=True):
                self._tree.add_folder(path)
        for pair in self._tree.finish():
            own = self._scopes.get(pair.path)
            if own is not None:
                own.root_pair = replace(pair, path="")
            if pair.path:
                self._add_folder(pair)

    def publish(self, root: Path) -> Path:
        """Publish every manifest begun, inner ones first. Returns the outermost."""
        written: Path | None = None
        for scope in sorted(self._scopes.values(), key=lambda one: -_depth(one.path)):
            if scope.started:
                written = scope.publish(self._references(scope))
        if written is None:
            raise UsageError(
                "there is nothing to record in a hash list",
                path=str(root),
                remedy="Give at least one file that the ignore list does not name.",
            )
        return written

    def _add_folder(self, pair: FolderRecord) -> None:
        scope = self._nearest(pair.path)
        inside = pair.path.removeprefix(f"{scope.path}/") if scope.path else pair.path
        if scope.ignore.matches(inside, folder=True):
            return  # only an inner history below it has records
        scope.writer(self._started_at, self._make).add_folder(replace(pair, path=inside))

    def _references(self, scope: Scope) -> list[Reference]:
        """What the manifest of this history points to: the newest manifest of each history next below."""
        references = []
        for path, inner in self._scopes.items():
            if not path or inner is scope or self._nearest(path) is not scope or inner.last is None:
                continue
            inside = path.removeprefix(f"{scope.path}/") if scope.path else path
            if not scope.ignore.matches(inside, folder=True):
                references.append(Reference(f"{inside}/{FOLDER}/{inner.last.name}", inner.last.c4))
        return references

    def _nearest(self, path: str) -> Scope:
        """The history next above a file or folder; a folder's own history is not above it."""
        if len(self._scopes) > 1:
            above = path.rpartition("/")[0]
            while above:
                if above in self._scopes:
                    return self._scopes[above]
                above = above.rpartition("/")[0]
        return self._scopes[""]

    def _left_out(self, scope: Scope, path: str, *, folder: bool) -> bool:
        inside = path.removeprefix(f"{scope.path}/") if scope.path else path
        if not scope.ignore.matches(inside, folder=folder):
            return False
        if self._on_ignored is None:
            raise ManifestError(
                "the ignore list of this history names it, so it can't be recorded",
                path=shown(path),
                remedy="An ignore list only grows; leave the file out, or start a new history.",
            )
        self._on_ignored(path)
        return True

    def _comparable(self, path: str, inside: FileRecord, scope: Scope) -> FileRecord:
        """The record with a hash that the history can judge by, where it has none and one can be had."""
        good = scope.known.values(inside.path if inside.previous_path is None else inside.previous_path)
        known = {found.algorithm for found in inside.hashes}
        if not good or self._more_hashes is None or not known.isdisjoint(good):
            return inside
        algorithm = next(iter(good))
        value = self._more_hashes(path, algorithm)
        if value is None:
            return inside
        return replace(inside, hashes=(*inside.hashes, FileHash(algorithm, value)))

    def _within(self, scope: Scope, record: FileRecord) -> FileRecord:
        """The record with paths relative to its history. A rename out of another history is no rename in
        this one, which has the file's first hash now."""
        if not scope.path and record.previous_path is None:
            return record
        previous = record.previous_path
        if previous is not None and self._nearest(previous) is not scope:
            previous = None
        if not scope.path:
            return replace(record, previous_path=previous)
        above = f"{scope.path}/"
        inside = None if previous is None else previous.removeprefix(above)
        return replace(record, path=record.path.removeprefix(above), previous_path=inside)

    @staticmethod
    def _add_to_tree(tree: FolderTree, record: FileRecord) -> None:
        value = next((one.value for one in record.hashes if one.algorithm == tree.algorithm), None)
        if value is None:
            raise ManifestError(
                f"it has no {tree.algorithm} hash, which the folder hashes are made of",
                path=shown(record.path),
                remedy="Hash every file with it, or give no folder hashes.",
            )
        tree.add_file(record.path, value)


def _depth(path: str) -> int:
    return len(path.split("/")) if path else 0


def _version() -> str | None:
    try:
        return version("rushlight")
    except PackageNotFoundError:
        return None
