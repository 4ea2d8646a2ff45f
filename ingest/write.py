"""Write the bytes of one destination under temporary names."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Collection, Iterable
from contextlib import suppress

from ingest.durable import Disk, destination_error, on_destination
from ingest.folders import open_below
from ingest.in_flight import InFlight
from ingest.plan import Place
from ingest.progress import Counters
from ingest.ring import Chunk, Segment
from ingest.settle import Settler
from shared.errors import AppError, DestinationError, RefusedFileError
from shared.names import display

_PARTIAL = re.compile(r"\.[0-9a-f]{8}\.partial$")
_NAME_BYTES = 255


def partial_name(name: str, token: str) -> str:
    """The temporary name beside a final one: it ends in `.partial` and fits in 255 bytes."""
    suffix = f".{token}.partial"
    raw = os.fsencode(name)
    room = _NAME_BYTES - len(suffix)
    if len(raw) > room:
        # Two long names of one folder may share their beginning; their hashes tell them apart. No
        # character is cut in half: some file systems refuse what is no UTF-8.
        beginning = raw[: room - 17].decode("utf-8", "ignore")
        return f"{beginning}~{hashlib.sha256(raw).hexdigest()[:16]}{suffix}"
    return name + suffix


def is_temporary(path: str) -> bool:
    """Whether a file's name is one that `partial_name` may have given."""
    return _PARTIAL.search(path) is not None


class Writer:
    """Takes chunks in order; hands every file that is whole to the settler of its place."""

    def __init__(self, disk: Disk, settler: Settler, counters: Counters) -> None:
        self._disk = disk
        self._settler = settler
        self._counters = counters
        self._handle: int | None = None
        self._partial = ""
        self._written = 0
        self._refused: AppError | None = None
        self._folder_path: str | None = None
        self._folder: int | None = None

    def take(self, chunk: Chunk[InFlight]) -> None:
        for segment in chunk.segments:
            task = segment.item.task
            if self._settler.number in task.write:
                self._take_segment(segment, chunk.view)
            elif segment.last and self._settler.number in task.prove:
                self._settler.add(segment.item, None)

    def close(self) -> None:
        """Let go of what is open; a file cut short keeps its temporary name or is removed."""
        self._abandon()
        if self._folder is not None:
            os.close(self._folder)
            self._folder = None

    def _take_segment(self, segment: Segment[InFlight], view: memoryview) -> None:
        refused = self._settler.stopped or self._refused
        if refused is None:
            try:
                self._write(segment, view)
            except OSError as error:
                refused = self._fail(
                    segment.item, destination_error(error, self._settler.shown(segment.item))
                )
        if not segment.last:
            return
        if refused is not None:
            self._abandon()
            self._settler.answer(segment.item, refused)
        elif segment.error is not None:
            self._abandon()
            assert isinstance(segment.error, AppError)
            self._settler.answer(segment.item, segment.error)
        self._refused = None

    def _fail(self, item: InFlight, error: DestinationError) -> AppError:
        """A file this drive can't hold is refused alone; any other fault ends the destination."""
        self._abandon()
        if isinstance(error, RefusedFileError):
            self._refused = error
        else:
            self._settler.stop_place(error)
        return error

    def _write(self, segment: Segment[InFlight], view: memoryview) -> None:
        if self._handle is None and not (segment.last and segment.error):
            self._create(segment.item.task.entry.path)
        if self._handle is None:
            return
        rest = view[segment.start : segment.stop]
        while rest:
            count = self._disk.write(self._handle, rest)
            if count <= 0:
                raise OSError(5, "the drive took no bytes")
            self._counters.written[self._settler.number] += count
            rest = rest[count:]
        length = segment.stop - segment.start
        if length:
            self._disk.begin_writeback(self._handle, self._written, length)
            self._written += length
        if segment.last and segment.error is None:
            self._finish(segment.item)

    def _create(self, path: str) -> None:
        folder, _, name = path.rpartition("/")
        if self._folder is None or folder != self._folder_path:
            if self._folder is not None:
                os.close(self._folder)
                self._folder = None
            place = self._settler.place
            self._folder = open_below(self._disk, place.root, place.below(folder), make=True)
            self._folder_path = folder
        partial = partial_name(name, self._settler.token)
        self._handle = self._disk.create(partial, at=self._folder)
        self._partial = partial
        self._written = 0

    def _finish(self, item: InFlight) -> None:
        assert self._handle is not None
        with suppress(PermissionError):  # some network drives keep their own times; the bytes matter
            self._disk.set_mtime(self._handle, item.task.entry.mtime_ns)
        handle, self._handle = self._handle, None
        self._disk.close(handle)
        self._settler.add(item, self._partial)
        self._partial = ""

    def _abandon(self) -> None:
        if self._handle is not None:
            handle, self._handle = self._handle, None
            with suppress(OSError):
                os.close(handle)
        if self._partial:
            partial, self._partial = self._partial, ""
            with suppress(OSError):
                assert self._folder is not None
                self._disk.remove(partial, at=self._folder)


def make_folders(disk: Disk, settler: Settler, paths: Iterable[str]) -> None:
    """Make folders of the card that hold no file, once every file of the place is settled.

    A fault ends the place: nothing else is left to do there.
    """
    place = settler.place
    for path in paths:
        if settler.stopped is not None:
            return
        try:
            with on_destination(f"{place.shown}/{place.folder}/{display(os.fsencode(path))}"):
                os.close(open_below(disk, place.root, place.below(path), make=True))
                settler.sync_above(path)
        except AppError as error:
            settler.stop_place(error)


def remove_leftovers(disk: Disk, place: Place, keep: Collection[str]) -> list[str]:
    """Remove temporary files that an earlier, broken run left in the reel's folder; names them.

    `keep`: paths of the card itself, which are never removed whatever they are called; of these, those that
    `is_temporary` matter. Call it under the folder's lock only.
    """
    removed: list[str] = []
    for folder, _, names in os.walk(place.reel_root):
        inside = os.path.relpath(folder, place.reel_root)
        for name in names:
            path = name if inside == "." else f"{inside}/{name}"
            if is_temporary(name) and path not in keep:
                with suppress(OSError):
                    handle = disk.open_folder(folder)
                    try:
                        disk.remove(name, at=handle)
                        removed.append(path)
                    finally:
                        os.close(handle)
    return removed
