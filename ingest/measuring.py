"""Measure picture and sound while the copying goes on, each file from its first verified copy.

A take whose proxy is on the card waits for it: a proxy with as many pictures is measured in its place, in a
fraction of the time. What could not be measured meanwhile is measured at the end, from the catalogue.
"""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, wait
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

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
from ingest.suggesting import suggest_clips
from shared.catalogue.chunks import in_chunks
from shared.db import Sessions, reading, writing
from shared.errors import MediaError
from shared.models import Clip, File, Finding, MeasureKind, Severity
from shared.settings import Settings

TICK_SECONDS = 0.2


class Pool(Protocol):
    """What measures one file without ever raising for the file's own faults."""

    def measure_picture(self, path: Path, facts: Facts, seconds: float) -> Future[PictureMeasured]: ...

    def measure_sound(self, path: Path, seconds: float) -> Future[SoundMeasured]: ...


@dataclass(frozen=True, slots=True)
class _Sent:
    """A measurement under way. `read_from`: the file it is taken of, where that is not the file itself."""

    file_id: int
    future: Future[Any]
    kind: MeasureKind
    read_from: int | None = None


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
    """Measurements sent to the pool so far. Called from the threads that describe as well."""

    def __init__(self, pool: Pool, file_ids: Mapping[bytes, int], sizes: Mapping[bytes, int]) -> None:
        self._pool, self._file_ids, self._sizes = pool, file_ids, sizes
        self._beside = _companions(file_ids)
        self._known: dict[bytes, _Known] = {}
        self._sent: list[_Sent] = []
        self._asked: set[tuple[int, MeasureKind]] = set()
        self._total = 0
        self._lock = threading.RLock()

    def described(self, path: bytes, copy: Path, described: Described) -> None:
        """Measure a file whose facts have become known, and those that waited for it."""
        with self._lock:
            self._known[path] = _Known(copy, described.facts)
            group = self._beside.get(path, (path,))
            if all(one in self._known for one in group):
                self._send_group(group)

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
        self.send(self._file_ids[path], kinds_of(known.facts), known.facts, known.copy, instead)

    def send(
        self,
        file_id: int,
        kinds: Iterable[MeasureKind],
        facts: Facts,
        copy: Path,
        instead: Instead | None = None,
    ) -> None:
        """Have these kinds of a file measured, each once; its picture from a proxy where there is one."""
        seconds = seconds_of(facts)
        with self._lock:
            for kind in kinds:
                if (file_id, kind) in self._asked:
                    continue
                self._asked.add((file_id, kind))
                # A pool that is being closed takes nothing any more: a later run measures this file.
                with suppress(RuntimeError):
                    self._sent.append(self._ask(file_id, kind, facts, copy, seconds, instead))
                    self._total += 1

    def _ask(
        self,
        file_id: int,
        kind: MeasureKind,
        facts: Facts,
        copy: Path,
        seconds: float,
        instead: Instead | None,
    ) -> _Sent:
        if kind is MeasureKind.SOUND:
            return _Sent(file_id, self._pool.measure_sound(copy, seconds), kind)
        if instead is None:
            return _Sent(file_id, self._pool.measure_picture(copy, facts, seconds), kind)
        future = self._pool.measure_picture(instead.copy, instead.facts, seconds)
        return _Sent(file_id, future, kind, instead.file_id)

    @property
    def progress(self) -> tuple[int, int]:
        """How many measurements are done, of how many."""
        with self._lock:
            waiting = sum(not one.future.done() for one in self._sent)
            return self._total - waiting, self._total

    def wait(self, sessions: Sessions, on_tick: Callable[[], None]) -> None:
        """Wait for everything that was sent; what is done is written down at once, safe from a kill."""
        while self._sent:
            wait([one.future for one in self._sent], timeout=TICK_SECONDS)
            on_tick()
            with self._lock:
                done = [one for one in self._sent if one.future.done()]
                self._sent = [one for one in self._sent if not one.future.done()]
            if done:
                with writing(sessions) as session:
                    write_measured(session, map(_result, done))


def _result(sent: _Sent) -> Measured:
    try:
        return measured_of(sent.file_id, sent.future.result(), sent.read_from)
    except MediaError as error:  # no child could be started at all
        return Measured(sent.file_id, sent.kind, None, f"It could not be measured: {error.message}.")


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
    with reading(sessions) as session:
        wanted = list_wanted(session, clip_ids)
    away = 0
    for one in wanted:
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
    measuring.send(one.file_id, one.kinds, one.facts, copy, instead)
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
