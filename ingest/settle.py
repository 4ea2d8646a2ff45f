"""Settle what was written: the one place that turns bytes on a drive into a verified copy.

For every batch of files of one destination, in this order and no other:

1. sync           the bytes are on the medium, not in the system's memory
2. drop           the system forgets them, so that the next read must ask the medium
3. re-read        past the cache where the platform allows (O_DIRECT), else shown by mincore
4. compare        with the digest of what was read from the card
5. publish        the final name, never over an existing file
6. sync folders   the names survive a power cut, and those of the folders above them
7. report         only now is the copy called verified
"""

from __future__ import annotations

import errno
import mmap
import os
import queue
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from ingest.durable import Disk, is_plain_file, on_destination
from ingest.folders import open_below
from ingest.hashes import make_hasher
from ingest.in_flight import InFlight
from ingest.plan import Place
from ingest.progress import Counters
from shared.errors import (
    AppError,
    ChecksumMismatchError,
    ConflictError,
    DestinationError,
    MissingCopyError,
    RefusedFileError,
)
from shared.models.media import CopyState

BATCH_FILES = 256
BATCH_BYTES = 64 * 1024 * 1024
BATCH_FOLDERS = 16  # each is an open handle, in every settling thread of every place
FEW = 8  # up to here each file is synced by itself, beyond the whole file system is, once
ALIGNED = 4096  # bytes; direct reads come in multiples of it
READ_BYTES = 4 * 1024 * 1024  # smaller reads starve beside the writes of the same drive


class SettleOptions(Protocol):
    """What of the copy's options matters here."""

    @property
    def algorithm(self) -> str: ...
    @property
    def settle_workers(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Settled:
    """The outcome for one file, by its number in the plan, at one place. `state` None: there is no copy
    under the final name."""

    number: int
    place: int
    state: CopyState | None
    error: AppError | None = None
    mtime_ns: int | None = None


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A file to prove: under its temporary name, or (None) under its final name already."""

    item: InFlight
    partial: str | None


class Settler:
    """Proves and publishes the copies of one place, in a few threads of its own.

    `stopped` is the error that ended the place; from then on every file is answered with it.
    """

    def __init__(
        self,
        disk: Disk,
        place: Place,
        number: int,
        options: SettleOptions,
        token: str,
        report: Callable[[Settled], None],
        counters: Counters,
    ) -> None:
        self.disk = disk
        self.place = place
        self.number = number
        self.token = token
        self.stopped: AppError | None = None
        self.from_medium = True
        self._algorithm = options.algorithm
        self._report = report
        self._counters = counters
        self._batch: list[_Waiting] = []
        self._batch_bytes = 0
        self._batch_folders: set[str] = set()
        self._queue: queue.Queue[list[_Waiting] | None] = queue.Queue(maxsize=2 * options.settle_workers)
        self._lock = threading.Lock()
        self._above_lock = threading.Lock()
        self._above: set[str] = set()
        self._failure: BaseException | None = None
        # Page-aligned, as direct reads demand.
        self._buffers = [mmap.mmap(-1, READ_BYTES) for _ in range(options.settle_workers)]
        self._threads = [
            threading.Thread(target=self._work, args=(buffer,), name=f"settle {number}.{n}", daemon=True)
            for n, buffer in enumerate(self._buffers)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    # --- called by the place's writer ----------------------------------------------------------------

    def add(self, item: InFlight, partial: str | None) -> None:
        """Take a file whose bytes are all written (or stand there from before)."""
        self._batch.append(_Waiting(item, partial))
        self._batch_bytes += item.task.entry.size
        self._batch_folders.add(item.task.entry.path.rpartition("/")[0])
        if (
            len(self._batch) >= BATCH_FILES
            or self._batch_bytes >= BATCH_BYTES
            or len(self._batch_folders) >= BATCH_FOLDERS
        ):
            self._hand_over()

    def answer(self, item: InFlight, error: AppError, state: CopyState | None = None) -> None:
        """Account for a file that has no verified copy here."""
        self._report(Settled(item.number, self.number, state, error))

    def stop_place(self, error: AppError) -> None:
        """End this destination; the first reason is the one that counts."""
        with self._lock:
            if self.stopped is None:
                self.stopped = error

    def finish(self, *, abandon: bool) -> None:
        """Settle what is left and end the threads. `abandon`: leave what waits under its partial name."""
        if abandon:
            self._batch.clear()
        if self._batch:
            self._hand_over()
        for _ in self._threads:
            self._queue.put(None)
        for thread in self._threads:
            thread.join()
        if self._failure is not None:
            raise self._failure

    def stop(self) -> None:
        """Make sure that no thread outlives the run."""
        for thread in self._threads:
            if thread.is_alive():
                self._queue.put(None)
        for thread in self._threads:
            if thread.ident is not None:
                thread.join()
        for buffer in self._buffers:
            with suppress(BufferError):  # as in `Ring.close`
                buffer.close()

    def _hand_over(self) -> None:
        self._queue.put(self._batch)
        self._batch, self._batch_bytes, self._batch_folders = [], 0, set()

    # --- the settling threads ------------------------------------------------------------------------

    def _work(self, memory: mmap.mmap) -> None:
        """Settle batches until told to end. After a failure of its own (a bug) the rest is only taken, so
        that the writer never waits for ever; `finish` raises it."""
        with memoryview(memory) as buffer:
            while (batch := self._queue.get()) is not None:
                if self._failure is not None:
                    continue
                try:
                    _Batch(self, batch, buffer, self._algorithm).settle()
                except BaseException as error:  # noqa: BLE001 - raised again in the thread that waits
                    self._failure = error

    def sync_above(self, path: str) -> None:
        """The names of all folders above this one survive a power cut: once a run for each.

        A folder made in this run was synced when it was made; one that stands from a broken run may not
        have been. Raises OSError.
        """
        parts = self.place.below(path).split("/")
        with self._above_lock:
            for depth in range(len(parts)):
                above = "/".join(parts[:depth])
                if above in self._above:
                    continue
                handle = open_below(self.disk, self.place.root, above, make=False)
                try:
                    self.disk.sync_folder(handle)
                finally:
                    os.close(handle)
                self._above.add(above)

    def verified(self, item: InFlight, settled: Settled) -> None:
        with self._lock:
            self._counters.verified[self.number] += item.task.entry.size
        self._report(settled)

    def doubt_medium(self) -> None:
        """A re-read may have been answered from memory: the run's report has to say so."""
        self.from_medium = False

    def shown(self, item: InFlight) -> str:
        return f"{self.place.shown}/{self.place.folder}/{item.task.entry.shown}"


class _Batch:
    """The seven steps for one batch."""

    def __init__(self, settler: Settler, waiting: list[_Waiting], buffer: memoryview, algorithm: str) -> None:
        self._settler = settler
        self._disk = settler.disk
        self._waiting = waiting
        self._buffer = buffer
        self._algorithm = algorithm
        self._folders: dict[str, int] = {}

    def settle(self) -> None:
        proven: list[tuple[_Waiting, Settled]] = []
        answered = 0
        try:
            with on_destination(self._settler.place.shown):
                if synced := len(self._waiting) > FEW:
                    self._sync_all()
                for waiting in self._waiting:
                    settled = self._settle_file(waiting, synced)
                    answered += 1
                    if settled is not None:
                        proven.append((waiting, settled))
                for path, folder in self._folders.items():
                    self._disk.sync_folder(folder)
                    self._settler.sync_above(path)
        except AppError as error:
            self._settler.stop_place(error)
            # A published name whose folder was not synced is not called verified; a rerun proves it.
            for waiting, _ in proven:
                self._settler.answer(waiting.item, error, CopyState.WRITTEN)
            for waiting in self._waiting[answered:]:
                self._discard(waiting)
                self._settler.answer(waiting.item, error)
        else:
            for waiting, settled in proven:
                self._settler.verified(waiting.item, settled)
        finally:
            for folder in self._folders.values():
                os.close(folder)

    def _sync_all(self) -> None:
        root = self._disk.open_folder(self._settler.place.root)
        try:
            self._disk.sync_all(root)
        finally:
            os.close(root)

    def _settle_file(self, waiting: _Waiting, synced: bool) -> Settled | None:
        """Prove and publish one file. None: it was answered for already, with what is wrong with it.

        Raises the DestinationErrors that end the place.
        """
        item = waiting.item
        if self._settler.stopped is not None:
            self._discard(waiting)
            self._settler.answer(item, self._settler.stopped)
            return None
        try:
            expected = item.wait()
            with on_destination(self._settler.shown(item)):
                mtime_ns = self._prove(waiting, expected, synced)
                self._publish(waiting)
        except (ChecksumMismatchError, ConflictError) as error:
            self._discard(waiting)
            self._settler.answer(item, error, CopyState.DIFFERS if waiting.partial is None else None)
            return None
        except MissingCopyError as error:
            self._settler.answer(item, error, CopyState.MISSING)
            return None
        except RefusedFileError as error:
            self._discard(waiting)
            self._settler.answer(item, error)
            return None
        except DestinationError:
            raise
        except AppError as error:  # the card's fault, known only after the bytes were written
            self._discard(waiting)
            self._settler.answer(item, error)
            return None
        return Settled(item.number, self._settler.number, CopyState.VERIFIED, None, mtime_ns)

    def _prove(self, waiting: _Waiting, expected: str, synced: bool) -> int:
        """Sync, drop, re-read and compare one file; returns the time stamp of what was proven."""
        folder, name = self._locate(waiting)
        shown = self._settler.shown(waiting.item)
        try:
            handle, direct = self._disk.open_copy(waiting.partial or name, at=folder)
        except FileNotFoundError:
            raise _vanished(shown) from None
        try:
            if not is_plain_file(self._disk.size_and_times(handle)):
                raise OSError(errno.EISDIR, "no plain file")
            if not synced:
                self._disk.sync(handle)
            self._disk.drop_cache(handle)
            state = self._disk.size_and_times(handle)
            if not direct and self._disk.resident(handle, state.st_size) is not False:
                self._settler.doubt_medium()
            found = self._digest(handle, state.st_size, direct)
        finally:
            os.close(handle)
        if found != expected:
            raise ChecksumMismatchError(
                shown,
                algorithm=self._algorithm,
                expected=expected,
                found=found,
                standing=waiting.partial is None,
            )
        return state.st_mtime_ns

    def _digest(self, handle: int, size: int, direct: bool) -> str:
        """Hash the file's bytes as the medium gives them."""
        hasher = make_hasher(self._algorithm)
        done = 0
        while done < size:
            try:
                # A direct read takes hold of all the memory it is offered, however short the file. A little
                # more than is left is asked for, as a file that has grown meanwhile must not go unseen.
                room = (size - done) // ALIGNED * ALIGNED + ALIGNED
                count = self._disk.read_into(handle, self._buffer[:room])
            except OSError as error:
                if not direct or error.errno != errno.EINVAL:
                    raise
                # This file system opens files for direct reads and then refuses them.
                direct = False
                self._disk.read_through_cache(handle)
                self._settler.doubt_medium()
                continue
            if count == 0:
                break
            hasher.update(self._buffer[:count])
            done += count
        return hasher.hexdigest()

    def _publish(self, waiting: _Waiting) -> None:
        """Give the file its final name, where it has not got it already."""
        if waiting.partial is not None:
            folder, name = self._locate(waiting)
            try:
                self._disk.publish(waiting.partial, name, at=folder)
            except FileNotFoundError:
                raise _vanished(self._settler.shown(waiting.item)) from None

    def _locate(self, waiting: _Waiting) -> tuple[int, str]:
        path, _, name = waiting.item.task.entry.path.rpartition("/")
        if path not in self._folders:
            place = self._settler.place
            self._folders[path] = open_below(self._disk, place.root, place.below(path), make=False)
        return self._folders[path], name

    def _discard(self, waiting: _Waiting) -> None:
        """Remove a temporary file of ours. If even that fails it stays, and its name says what it is."""
        if waiting.partial is None:
            return
        with suppress(OSError, AppError):
            folder, _ = self._locate(waiting)
            self._disk.remove(waiting.partial, at=folder)


def _vanished(shown: str) -> MissingCopyError:
    return MissingCopyError("the copy vanished before it had its name", path=shown, remedy="Run it again.")
