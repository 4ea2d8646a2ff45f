"""Measure picture and sound while the copying goes on, each file from its first verified copy.

A take whose proxy is on the card waits for it: a proxy with as many pictures is measured in its place, in a
fraction of the time. What could not be measured meanwhile is measured at the end, from the catalogue.
"""

from __future__ import annotations

import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from pyroaring import BitMap
from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.clips import MediaFile, group_clips, plain_stem
from ingest.findings import MEASURED_CODES, judge_clips
from ingest.measure.picture_numbers import PictureMeasured
from ingest.measure.sound_numbers import SoundMeasured
from ingest.measurements import (
    Measured,
    Wanted,
    at_hand,
    kinds_of,
    list_wanted,
    measured_of,
    seconds_of,
    stands_for,
    write_measured,
)
from ingest.media.facts import Described, Facts
from ingest.media.kinds import kind_of
from ingest.orders import Problem
from ingest.spool import Spool, no_room
from ingest.suggesting import suggest_clips
from shared.catalogue.chunks import in_chunks
from shared.db import Sessions, reading, writing
from shared.errors import MediaError
from shared.models import Clip, File, Finding, MeasureKind, Severity
from shared.settings import Settings

TICK_SECONDS = 0.2
AHEAD = 64  # measurements under way at one time, beside which nothing more is sent
CLIPS_AT_ONCE = 200  # clips whose rows are in memory at one time
WRITTEN_AT_ONCE = 20  # the numbers of a long clip are some megabytes


class Pool(Protocol):
    """What measures one file without ever raising for the file's own faults."""

    def measure_picture(self, path: Path, facts: Facts, seconds: float) -> Future[PictureMeasured]: ...

    def measure_sound(self, path: Path, seconds: float) -> Future[SoundMeasured]: ...


@dataclass(frozen=True, slots=True)
class Instead:
    """A proxy that is measured instead of a take's picture."""

    file_id: int
    facts: Facts
    copy: Path


@dataclass(frozen=True, slots=True)
class _Known:
    copy: Path
    facts: Facts | None


class Measuring:
    """Measurements sent to the pool so far. Called from the threads that describe as well.

    `file_ids`, `sizes`: by path, of the files that `described` will be told of. A card may have very many:
    about `AHEAD` are under way at a time, and the numbers go to a temporary file, which `close` takes away.
    """

    def __init__(self, pool: Pool, file_ids: Mapping[bytes, int], sizes: Mapping[bytes, int]) -> None:
        self._pool, self._file_ids, self._sizes = pool, file_ids, sizes
        self._beside = _companions(file_ids)
        self._known: dict[bytes, _Known] = {}  # of takes and proxies that wait for each other
        self._asked = {kind: BitMap() for kind in MeasureKind}  # by id of the file
        self._under_way = 0
        self._total = self._left_out = 0
        self._done = Spool()
        self._written = time.monotonic()
        self._failed: OSError | None = None
        self._changed = threading.Condition()

    def close(self) -> None:
        self._done.close()

    def described(self, path: bytes, copy: Path, described: Described) -> None:
        """Measure a file whose facts have become known, and those that waited for it. Where the pool has
        enough to do it is left out: `measure_clips` asks the catalogue what was not measured."""
        with self._changed:
            self._known[path] = _Known(copy, described.facts)
            group = self._beside.get(path, (path,))
            if all(one in self._known for one in group):
                self._send_group(group)
                for one in group:
                    del self._known[one]

    def _send_group(self, group: Sequence[bytes]) -> None:
        if len(group) == 1:
            self._send_take(group[0], None)
            return
        files = [MediaFile(one, self._sizes.get(one, 0), 0, self._known[one].facts) for one in group]
        for clip in group_clips(files):
            essences = [member.path for member in clip.members if member.role.value == "essence"]
            proxies = [member.path for member in clip.members if member.role.value == "proxy"]
            for path in essences:
                self._send_take(path, self._proxy_for(path, proxies) if len(essences) == 1 else None)

    def _proxy_for(self, path: bytes, proxies: Sequence[bytes]) -> bytes | None:
        take = self._known[path].facts
        for proxy in proxies:
            facts = self._known[proxy].facts
            if take is not None and facts is not None and stands_for(facts, take):
                return proxy
        return None

    def _send_take(self, path: bytes, proxy: bytes | None) -> None:
        known = self._known[path]
        if known.facts is None or path not in self._file_ids:
            return
        instead = None
        if proxy is not None and (facts := self._known[proxy].facts) is not None:
            instead = Instead(self._file_ids[proxy], facts, self._known[proxy].copy)
        kinds = kinds_of(known.facts)
        if self._under_way < AHEAD:
            self._send(self._file_ids[path], kinds, known.facts, known.copy, instead)
        else:
            self._left_out += len(kinds)

    def send(self, one: Wanted, copy: Path, instead: Instead | None = None) -> None:
        """Have a file measured that was left out, or is of an earlier run; its picture from `instead`."""
        with self._changed:
            self._left_out = max(0, self._left_out - len(one.kinds))
            self._send(one.file_id, one.kinds, one.facts, copy, instead)

    def _send(
        self, file_id: int, kinds: Iterable[MeasureKind], facts: Facts, copy: Path, instead: Instead | None
    ) -> None:
        """Have these kinds of a file measured, each once; to be called under the lock."""
        seconds = seconds_of(facts)
        for kind in kinds:
            if file_id in self._asked[kind]:
                continue
            self._asked[kind].add(file_id)
            # A pool that is being closed takes nothing any more: a later run measures this file.
            with suppress(RuntimeError):
                future = self._ask(kind, facts, copy, seconds, instead)
                self._total += 1
                self._under_way += 1
                by_proxy = instead is not None and kind is MeasureKind.PICTURE
                read_from = instead.file_id if instead is not None and by_proxy else None
                future.add_done_callback(partial(self._take, file_id, kind, read_from))

    def _ask(
        self, kind: MeasureKind, facts: Facts, copy: Path, seconds: float, instead: Instead | None
    ) -> Future[Any]:
        if kind is MeasureKind.SOUND:
            return self._pool.measure_sound(copy, seconds)
        if instead is None:
            return self._pool.measure_picture(copy, facts, seconds)
        return self._pool.measure_picture(instead.copy, instead.facts, seconds)

    def _take(self, file_id: int, kind: MeasureKind, read_from: int | None, future: Future[Any]) -> None:
        """Keep what one measurement gave, in a thread of the pool."""
        try:
            if not future.cancelled():
                found = _result(file_id, kind, read_from, future)
                with self._changed:
                    self._done.add([file_id, kind.value, found.numbers, found.problem, found.read_from_id])
        except OSError as error:
            self._failed = error
        finally:
            with self._changed:
                self._under_way -= 1
                self._changed.notify_all()

    @property
    def progress(self) -> tuple[int, int]:
        """How many measurements are done, of how many."""
        with self._changed:
            return self._total - self._under_way, self._total + self._left_out

    def wait(self, sessions: Sessions, on_tick: Callable[[], None], leave: int = 0) -> None:
        """Wait until no more than `leave` are under way. What is done is written down at once, safe from a
        kill. Raises CatalogueError where there was no room for the numbers."""
        while True:
            with self._changed:
                if self._changed.wait_for(lambda: self._under_way <= leave, timeout=TICK_SECONDS):
                    break
            on_tick()
            self._write_done(sessions)
        if not leave or time.monotonic() - self._written > TICK_SECONDS:
            self._write_done(sessions)

    def _write_done(self, sessions: Sessions) -> None:
        if self._failed is not None:
            raise no_room("what was measured", self._failed)
        self._written = time.monotonic()
        with self._changed:
            if not len(self._done):
                return
            done, self._done = self._done, Spool()
        with closing(done):
            for some in in_chunks(done, WRITTEN_AT_ONCE):
                with writing(sessions) as session:
                    write_measured(session, (Measured(one[0], MeasureKind(one[1]), *one[2:]) for one in some))


def _result(file_id: int, kind: MeasureKind, read_from: int | None, future: Future[Any]) -> Measured:
    try:
        return measured_of(file_id, future.result(), read_from)
    except MediaError as error:  # no child could be started at all
        return Measured(file_id, kind, None, f"It could not be measured: {error.message}.")


def _companions(paths: Iterable[bytes]) -> dict[bytes, tuple[bytes, ...]]:
    """Videos that by their names may be one take and its proxy; one that is alone is left out."""
    by_stem: dict[str, list[bytes]] = defaultdict(list)
    for path in paths:
        if kind_of(path) == "video":
            by_stem[plain_stem(path)].append(path)
    return {path: tuple(group) for group in by_stem.values() if len(group) > 1 for path in group}


def finish_reel(
    measuring: Measuring, sessions: Sessions, reel_id: int, settings: Settings, on_tick: Callable[[], None]
) -> tuple[Problem, ...]:
    """Measure what is left of a reel that has been logged, and judge its clips; returns the faults found."""
    with reading(sessions) as session:
        clip_ids = list(session.scalars(select(Clip.id).where(Clip.reel_id == reel_id)))
    measure_clips(measuring, sessions, clip_ids, on_tick)
    with writing(sessions) as session:
        judge_clips(session, clip_ids, settings)
        suggest_clips(session, clip_ids)
    with reading(sessions) as session:
        return tuple(_faults(session, clip_ids))


def measure_clips(
    measuring: Measuring, sessions: Sessions, clip_ids: Sequence[int], on_tick: Callable[[], None]
) -> int:
    """Measure these clips where they have not been, from copies that are at hand; returns how many files
    have none. What was sent before is waited for first."""
    measuring.wait(sessions, on_tick)
    away = 0
    for some in in_chunks(clip_ids, CLIPS_AT_ONCE):
        with reading(sessions) as session:
            wanted = list_wanted(session, some)
        for one in wanted:
            measuring.wait(sessions, on_tick, leave=AHEAD)
            away += not _send_wanted(measuring, one)
    measuring.wait(sessions, on_tick)
    return away


def _send_wanted(measuring: Measuring, one: Wanted) -> bool:
    copy, proxy = at_hand(one.copies), at_hand(one.proxy_copies)
    if copy is None:
        return False
    instead = None
    if proxy is not None and one.proxy_id is not None and one.proxy_facts is not None:
        instead = Instead(one.proxy_id, one.proxy_facts, proxy)
    measuring.send(one, copy, instead)
    return True


def _faults(session: Session, clip_ids: Sequence[int]) -> Iterator[Problem]:
    for chunk in in_chunks(clip_ids):
        rows = (
            select(File.path, Finding.message)
            .join(File, File.id == Finding.file_id)
            .where(
                Finding.clip_id.in_(chunk),
                Finding.code.in_(MEASURED_CODES),
                Finding.severity == Severity.FAULT,
                Finding.dismissed.is_(None),
            )
            .order_by(File.path, Finding.id)
        )
        for path, message in session.execute(rows):
            yield Problem("media", path, message)
