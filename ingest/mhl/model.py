"""What a history of hash lists says, as plain values (ASC MHL specification v1.0, sections 5 to 7).

Paths are relative to the folder that the history covers (its scope), "/" between parts, no trailing "/",
case, white space and Unicode form exactly as on the drive: the specification does not settle the Unicode
form, and a changed name would not be found again. All moments are aware, in UTC.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Literal

from ingest.mhl.rules import Problem

Action = Literal["original", "verified", "failed"]
Process = Literal["in-place", "transfer", "flatten"]

FOLDER = "ascmhl"
CHAIN = "ascmhl_chain.xml"
NAMESPACE = "urn:ASC:MHL:v2.0"
CHAIN_NAMESPACE = "urn:ASC:MHL:DIRECTORY:v2.0"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class FileHash:
    """A hash of a file. `action` None: the writer derives it from the history. `hash_date` None: the
    moment the manifest was made."""

    algorithm: str
    value: str
    action: Action | None = None
    hash_date: datetime | None = None

    @property
    def good(self) -> bool:
        """Whether later checks may rely on it: a failed hash is never used again (5.2)."""
        return self.action in ("original", "verified")


@dataclass(frozen=True, slots=True)
class FileRecord:
    """One file. `size` in bytes. `previous_path` only in the generation that records a rename."""

    path: str
    size: int | None
    mtime: datetime | None
    hashes: tuple[FileHash, ...]
    previous_path: str | None = None


@dataclass(frozen=True, slots=True)
class FolderRecord:
    """The pair of hashes of a folder, by format. The path of the root of the scope is ""."""

    path: str
    content: Mapping[str, str]
    structure: Mapping[str, str]
    previous_path: str | None = None


@dataclass(frozen=True, slots=True)
class Reference:
    """Points from an outer history to a manifest of an inner one; `path` is relative to the outer scope."""

    path: str
    c4: str


@dataclass(frozen=True, slots=True)
class Author:
    name: str
    email: str | None = None
    phone: str | None = None
    role: str | None = None


@dataclass(frozen=True, slots=True)
class Creator:
    """Who made a manifest, when, with what."""

    created_at: datetime
    hostname: str
    tool: str
    tool_version: str | None = None
    authors: tuple[Author, ...] = ()
    location: str | None = None
    comment: str | None = None


@dataclass(frozen=True, slots=True)
class Generation:
    """One manifest. `number` is its place in the chain, `name` its file name, `c4` that of its bytes.
    `root` is the root folder's pair of hashes, `ignore` this manifest's own list of patterns."""

    number: int
    name: str
    c4: str
    creator: Creator
    process: Process
    files: tuple[FileRecord, ...]
    folders: tuple[FolderRecord, ...]
    root: FolderRecord | None
    ignore: tuple[str, ...]
    references: tuple[Reference, ...]

    @property
    def created_at(self) -> datetime:
        return self.creator.created_at


@dataclass(frozen=True)
class History:
    """All generations of a folder, oldest first; `warnings` are problems that take nothing from its truth."""

    root: Path
    generations: tuple[Generation, ...]
    warnings: tuple[Problem, ...] = field(default=(), compare=False)

    def latest_good(self, path: str, algorithm: str | None = None) -> FileHash | None:
        """The hash to check this file against: the latest one that did not fail, or None.

        A renamed file is known by its new path alone. Of several formats in one generation the first in
        the order of the schema is given, unless `algorithm` names one.
        """
        known = self._good.get(path)
        if not known:
            return None
        if algorithm is not None:
            return known.get(algorithm)
        return next(reversed(known.values()))

    def good_hashes(self, path: str) -> Mapping[str, FileHash]:
        """The latest good hash of this file in each format."""
        return dict(self._good.get(path, {}))

    @property
    def known_paths(self) -> frozenset[str]:
        """Every file that the history knows under its present path, good or failed."""
        return frozenset(self._good)

    @property
    def ignore_patterns(self) -> tuple[str, ...]:
        """The patterns of all generations, in the order in which they came: the list only grows (G 2.4)."""
        return tuple(dict.fromkeys(pattern for one in self.generations for pattern in one.ignore))

    @cached_property
    def _good(self) -> dict[str, _Good]:
        table: dict[str, _Good] = {}
        for generation in self.generations:
            _fold(table, generation.files)
        return table


_Good = dict[str, FileHash]  # by format, the latest last


def _fold(table: dict[str, _Good], files: tuple[FileRecord, ...]) -> None:
    """Add what one generation says about files. `ingest/mhl/known.py` holds the same rule for streams.

    The first good value of a format stands; a later one that differs is no verification of it, whatever
    the manifest calls it.
    """
    replaced: dict[str, _Good] = {}
    for record in files:
        if record.previous_path is None:
            known = table.get(record.path, {})
            table[record.path] = _merged(known, record)
            if _contradicts(known, record):
                replaced[record.path] = _merged({}, record)
    moved = [(one, one.previous_path) for one in files if one.previous_path is not None]
    before = [table.get(old, {}) for _, old in moved]
    recorded = {one.path for one in files}
    for _, old in moved:
        if old not in recorded:
            table.pop(old, None)
        elif old in replaced:
            table[old] = replaced.pop(old)  # another file has the old name now
    for (record, _), known in zip(moved, before, strict=True):
        table[record.path] = _merged(known, record)


def _merged(known: _Good, record: FileRecord) -> _Good:
    merged = dict(known)
    for found in reversed(record.hashes):
        standing = merged.get(found.algorithm)
        if found.good and (standing is None or standing.value == found.value):
            merged.pop(found.algorithm, None)
            merged[found.algorithm] = found
    return merged


def _contradicts(known: _Good, record: FileRecord) -> bool:
    return any(
        found.good and found.algorithm in known and known[found.algorithm].value != found.value
        for found in record.hashes
    )


def utc_from_ns(stamp_ns: int) -> datetime | None:
    """A file's time stamp (nanoseconds since 1970) for a record, or None where no calendar reaches."""
    try:
        return _EPOCH + timedelta(microseconds=stamp_ns // 1000)
    except OverflowError:
        return None
