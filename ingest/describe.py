"""Describe media while the copying goes on: facts and stills from the first verified copy of each file."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from concurrent.futures import Future, wait
from pathlib import Path
from typing import Protocol

from ingest.copy import FileResult
from ingest.media.facts import FAULT, Described, Noticed
from ingest.media.kinds import kind_of, suffix_of
from ingest.plan import Place
from ingest.record import copy_path
from ingest.settle import Settled
from shared.models import CopyState

TICK_SECONDS = 0.2


class Pool(Protocol):
    """What describes one file without ever raising for the file's own faults."""

    def describe(self, path: Path, into: Path, stem: str) -> Future[Described]: ...


def stem_of(path: bytes) -> str:
    """A short name for a file's stills that no file name on a card can spoil."""
    return hashlib.sha256(path).hexdigest()[:16]


Told = Callable[[bytes, Path, Described], None]
"""Hears of each file once it is described, in a thread of the pool: its path, the copy, what was said."""


class Describing:
    """Files sent to the pool so far. `into`: the folder of this reel's stills."""

    def __init__(
        self, pool: Pool, into: Path, already: frozenset[bytes] = frozenset(), told: Told | None = None
    ) -> None:
        self._pool = pool
        self._into = into
        self._already = already
        self._told = told
        self._futures: dict[bytes, Future[Described]] = {}

    def settled(self, result: FileResult, settled: Settled, place: Place) -> None:
        """Send a media file once its first copy is verified; unverified bytes are never described."""
        entry = result.task.entry
        if settled.state is CopyState.VERIFIED and self._wanted(entry.raw):
            self._send(entry.raw, copy_path(place, entry))

    def kept(self, path: bytes, copy: Path) -> None:
        """Send a file whose copy was proven by an earlier run that did not come to describe it."""
        if self._wanted(path):
            self._send(path, copy)

    def results(self, on_tick: Callable[[], None]) -> dict[bytes, Described]:
        """Wait for everything that was sent."""
        waiting = set(self._futures.values())
        while waiting:
            _, waiting = wait(waiting, timeout=TICK_SECONDS)
            on_tick()
        return {path: _result(future) for path, future in self._futures.items()}

    @property
    def progress(self) -> tuple[int, int]:
        """How many files are described, of how many."""
        return sum(future.done() for future in self._futures.values()), len(self._futures)

    def _wanted(self, path: bytes) -> bool:
        wanted = kind_of(path) in ("video", "audio", "image") or suffix_of(path) == b"xml"
        return wanted and path not in self._futures and path not in self._already

    def _send(self, path: bytes, copy: Path) -> None:
        future = self._futures[path] = self._pool.describe(copy, self._into, stem_of(path))
        if (told := self._told) is not None:
            future.add_done_callback(
                lambda done: None if done.cancelled() else told(path, copy, _result(done))
            )


def _result(future: Future[Described]) -> Described:
    error = future.exception()
    if error is None:
        return future.result()
    return Described(
        None, (), (Noticed("unreadable", FAULT, f"it could not be described: {error}", None, "", ""),)
    )
