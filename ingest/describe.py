"""Describe media while the copying goes on: facts and stills from the first verified copy of each file."""

from __future__ import annotations

import hashlib
import threading
from collections import deque
from collections.abc import Callable, Container
from concurrent.futures import Future
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from ingest.described import DescribedFiles
from ingest.media.facts import FAULT, Described, Noticed
from ingest.media.kinds import kind_of, suffix_of
from ingest.plan import Plan
from ingest.record import copy_path
from ingest.settle import Settled
from ingest.spool import no_room
from shared.models import CopyState

TICK_SECONDS = 0.2
AT_ONCE = 64  # files that the pool is asked for at one time: it has always work, and no long queue


class Pool(Protocol):
    """What describes one file without ever raising for the file's own faults."""

    def describe(self, path: Path, into: Path, stem: str) -> Future[Described]: ...


def stem_of(path: bytes) -> str:
    """A short name for a file's stills that no file name on a card can spoil."""
    return hashlib.sha256(path).hexdigest()[:16]


Told = Callable[[bytes, Path, Described], None]
"""Hears of each file once it is described, in a thread of the pool: its path, the copy, what was said."""


class Describing:
    """Files sent to the pool, and those that wait for it. `into`: the folder of this reel's stills; `said`:
    where the descriptions go; `already`: paths that an earlier run described."""

    def __init__(
        self,
        pool: Pool,
        into: Path,
        plan: Plan,
        said: DescribedFiles,
        already: Container[bytes] = (),
        told: Told | None = None,
    ) -> None:
        self._pool, self._into, self._plan = pool, into, plan
        self._said, self._already, self._told = said, already, told
        self._wanted = bytearray(len(plan.tasks))  # 1: sent, or waiting to be
        self._waiting: deque[int] = deque()
        self._under_way = 0
        self._failed: OSError | None = None
        self._changed = threading.Condition()

    def settled(self, settled: Settled) -> None:
        """Send a media file once its first copy is verified; unverified bytes are never described."""
        if settled.state is CopyState.VERIFIED:
            self.kept(settled.number, settled.place)

    def kept(self, number: int, place: int) -> None:
        """Send file `number` of the plan, whose copy at `place` is proven."""
        path = self._plan.tasks[number].entry.raw
        if self._wanted[number] or not _is_wanted(path) or path in self._already:
            return
        self._wanted[number] = 1
        with self._changed:
            self._waiting.append(number * len(self._plan.places) + place)
            following = self._next()
        self._send(following)

    def results(self, on_tick: Callable[[], None]) -> DescribedFiles:
        """Wait for everything that was sent. Raises CatalogueError where there is no room to keep it."""
        while True:
            with self._changed:
                if self._changed.wait_for(lambda: not self._under_way, timeout=TICK_SECONDS):
                    break
            on_tick()
        if self._failed is not None:
            raise no_room("what was read of the media", self._failed) from self._failed
        return self._said

    def _next(self) -> int | None:
        """What has waited longest, if the pool has room for it; to be asked under the lock."""
        if not self._waiting or self._under_way >= AT_ONCE or self._failed is not None:
            return None
        self._under_way += 1
        return self._waiting.popleft()

    def _send(self, waited: int | None) -> None:
        if waited is None:
            return
        number, place = divmod(waited, len(self._plan.places))
        entry = self._plan.tasks[number].entry
        copy = copy_path(self._plan.places[place], entry)
        future = self._pool.describe(copy, self._into, stem_of(entry.raw))
        future.add_done_callback(lambda done: self._take(entry.raw, copy, done))

    def _take(self, path: bytes, copy: Path, future: Future[Described]) -> None:
        """Keep what the pool said of one file, in a thread of the pool, and send the next."""
        try:
            if not future.cancelled():
                described = _result(future)
                self._said.add(path, described)
                if self._told is not None:
                    self._told(path, copy, described)
        except OSError as error:
            self._failed = error
        finally:
            with self._changed:
                self._under_way -= 1
                following = self._next()
                self._changed.notify_all()
        with suppress(RuntimeError):  # a pool that is being closed takes nothing any more
            self._send(following)


def _is_wanted(path: bytes) -> bool:
    return kind_of(path) in ("video", "audio", "image") or suffix_of(path) == b"xml"


def _result(future: Future[Described]) -> Described:
    error = future.exception()
    if error is None:
        return future.result()
    return Described(
        None, (), (Noticed("unreadable", FAULT, f"it could not be described: {error}", None, "", ""),)
    )
