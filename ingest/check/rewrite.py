"""Put a good copy in the place of a bad one, so that a kill at any instant loses neither.

For one file, in this order and no other:

1. write          beside the bad copy, under a `.partial` name, hashing what is read from the good copy
2. prove          sync, drop, re-read and compare, as an offload does
3. sync folder    the partial name survives a power cut
4. set aside      the bad copy becomes `<name>.bad-<YYYYMMDDHHMMSS>` (UTC); it is never removed
5. publish        the proven bytes get the final name, never over an existing file
6. sync folder    both names survive a power cut

Up to 4 the bad copy has the final name, from 5 on the good one. Between them nobody has it: the good copy
is the `.partial`, proven, and the bad one is aside. A rerun finds the file missing and the partial good, and
goes on with 5; so a partial is removed only once it has been read and is not good.
"""

from __future__ import annotations

import datetime as dt
import errno
import hashlib
import os
import re
from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from ingest.check.read_back import ReadBack, read_back
from ingest.durable import Disk, on_destination
from ingest.write import partial_name
from shared.errors import (
    AppError,
    ChecksumMismatchError,
    ConflictError,
    DestinationError,
    DestinationFullError,
)

_NAME_BYTES = 255
_STAMPS = 60  # seconds to count on when a name of the same second is taken
_TOKEN = "0" * 8


@dataclass(frozen=True, slots=True)
class Content:
    """What a file should hold. `algorithms`: those to hash the new copy with, `algorithm` among them."""

    size: int
    mtime_ns: int
    algorithm: str
    digest: str
    algorithms: tuple[str, ...]

    def is_in(self, found: ReadBack | None) -> bool:
        return (
            found is not None
            and not found.changed
            and found.size == self.size
            and found.hashes.get(self.algorithm) == self.digest
        )


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a copy belongs: a name in an open folder of a drive. `root`: for asking how much is free."""

    root: Path
    folder: int
    name: str
    shown: str


@dataclass(frozen=True, slots=True)
class Placed:
    """How far it came. `problem` set: the good copy has no final name, or not durably."""

    set_aside: str | None
    problem: AppError | None = None


class Rewriter:
    """The steps, on one disk with one buffer. `token` marks the temporary names of this run."""

    def __init__(self, disk: Disk, buffer: memoryview, token: str, stopped: Callable[[], bool]) -> None:
        self._disk, self._buffer, self._token, self._stopped = disk, buffer, token, stopped

    def read(self, name: str, folder: int, content: Content, *, sync: bool = False) -> ReadBack | None:
        """Re-read a copy. None when the run is to end. Raises OSError."""
        return read_back(
            self._disk,
            name,
            folder,
            content.algorithms,
            self._buffer,
            most=content.size,
            sync=sync,
            stopped=self._stopped,
        )

    def finished_partial(
        self, spot: Spot, names: Collection[str], content: Content, may_remove: Callable[[str], bool]
    ) -> tuple[str, ReadBack] | None:
        """What a broken repair left that holds the right bytes. Others of its kind are worth nothing and are
        removed, if they may be."""
        for name in sorted(filter(leftovers_of(spot.name).fullmatch, names)):
            with suppress(OSError):
                found = self.read(name, spot.folder, content, sync=True)
                if content.is_in(found):
                    assert found is not None
                    return name, found
                if found is not None and may_remove(name):
                    self._disk.remove(name, at=spot.folder)
        return None

    def write_partial(
        self, spot: Spot, source: tuple[str, int], content: Content
    ) -> tuple[str, ReadBack] | None:
        """Steps 1 and 2. `source`: name and open folder of a copy. None: the source gave other bytes this
        time, or the run is to end. Raises DestinationError, ChecksumMismatchError; OSError for the source.
        """
        with on_destination(spot.shown):
            if (free := self._disk.free_bytes(spot.root)) < content.size:
                raise DestinationFullError(
                    f"{content.size:,} bytes are needed and {free:,} are free",
                    path=spot.shown,
                    remedy="Free space on the drive, then run again.",
                )
        partial = partial_name(spot.name, self._token)
        try:
            if not self._copy(spot, partial, source, content):
                self._discard(spot, partial)
                return None
            with on_destination(spot.shown):
                found = self.read(partial, spot.folder, content, sync=True)
        except BaseException:
            self._discard(spot, partial)
            raise
        if found is None:
            self._discard(spot, partial)
            return None
        if not content.is_in(found):
            self._discard(spot, partial)
            raise ChecksumMismatchError(
                spot.shown,
                algorithm=content.algorithm,
                expected=content.digest,
                found=found.hashes.get(content.algorithm, f"{found.size} bytes"),
            )
        return partial, found

    def _copy(self, spot: Spot, partial: str, source: tuple[str, int], content: Content) -> bool:
        """Write the partial. Whether the source gave the right bytes while they were copied."""
        with on_destination(spot.shown):
            handle = self._disk.create(partial, at=spot.folder)
        written = 0

        def write(piece: memoryview) -> None:
            nonlocal written
            with on_destination(spot.shown):
                start, rest = written, piece
                while rest:
                    count = self._disk.write(handle, rest)
                    if count <= 0:
                        raise OSError(errno.EIO, "the drive took no bytes")
                    written += count
                    rest = rest[count:]
                self._disk.begin_writeback(handle, start, written - start)

        try:
            name, folder = source
            found = read_back(
                self._disk,
                name,
                folder,
                [content.algorithm],
                self._buffer,
                most=content.size,
                take=write,
                stopped=self._stopped,
            )
            # Some network drives keep their own times; the bytes matter.
            with on_destination(spot.shown), suppress(PermissionError):
                self._disk.set_mtime(handle, content.mtime_ns)
        except BaseException:
            with suppress(OSError):
                os.close(handle)
            raise
        with on_destination(spot.shown):
            self._disk.close(handle)
        return content.is_in(found)

    def put_in_place(self, spot: Spot, partial: str, *, bad_stands_there: bool) -> Placed:
        """Steps 3 to 6. Never raises an AppError once the bad copy has lost its name: it has to be told."""
        set_aside: str | None = None
        try:
            with on_destination(spot.shown):
                self._disk.sync_folder(spot.folder)
                if bad_stands_there:
                    set_aside = self._set_aside(spot)
                self._disk.publish(partial, spot.name, at=spot.folder)
                self._disk.sync_folder(spot.folder)
        except (DestinationError, ConflictError) as error:
            if isinstance(error, ConflictError) and not bad_stands_there:
                self._discard(spot, partial)  # somebody else put a file there meanwhile
            # In any other case the partial stays: a rerun takes it up, and it may be the only good copy near.
            return Placed(set_aside, error)
        return Placed(set_aside)

    def _set_aside(self, spot: Spot) -> str | None:
        """Rename the bad copy. None: it went by itself. Raises OSError."""
        start = dt.datetime.now(dt.UTC)
        for seconds in range(_STAMPS):
            aside = aside_name(spot.name, start + dt.timedelta(seconds=seconds))
            try:
                self._disk.publish(spot.name, aside, at=spot.folder)
            except FileExistsError:
                continue
            except FileNotFoundError:
                return None
            return aside
        raise FileExistsError(errno.EEXIST, "no free name to set the bad copy aside", spot.name)

    def _discard(self, spot: Spot, partial: str) -> None:
        with suppress(OSError):
            self._disk.remove(partial, at=spot.folder)


def aside_name(name: str, moment: dt.datetime) -> str:
    """What a bad copy is called from then on; it fits in 255 bytes."""
    suffix = moment.strftime(".bad-%Y%m%d%H%M%S")
    raw = os.fsencode(name)
    if len(raw) + len(suffix) <= _NAME_BYTES:
        return name + suffix
    # As in `partial_name`: no character is cut in half, and long names of one folder stay apart.
    beginning = raw[: _NAME_BYTES - len(suffix) - 17].decode("utf-8", "ignore")
    return f"{beginning}~{hashlib.sha256(raw).hexdigest()[:16]}{suffix}"


def leftovers_of(name: str) -> re.Pattern[str]:
    """The temporary names that an earlier run may have left of this file."""
    beginning = partial_name(name, _TOKEN).removesuffix(f".{_TOKEN}.partial")
    return re.compile(re.escape(beginning) + r"\.[0-9a-f]{8}\.partial")


def partials_in(folder: int) -> frozenset[str]:
    """The temporary names in an open folder. Raises OSError."""
    return frozenset(name for name in os.listdir(folder) if name.endswith(".partial"))
