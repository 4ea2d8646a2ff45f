"""What should stand in a checked folder, and where its outcome is written: the catalogue, or a hash list."""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol

from sqlalchemy.orm import Session

from ingest.check.hash_list import HashList
from ingest.check.model import Expected, FileState
from shared.catalogue.checks import (
    CopyOutcome,
    CopyRecord,
    Holding,
    missing_with,
    recorded_of,
    recorded_paths,
    write_outcomes,
)
from shared.db import Sessions, reading, writing
from shared.models import CopyState

_PATHS = 2000

COPY_STATES: Mapping[FileState, CopyState] = {
    FileState.VERIFIED: CopyState.VERIFIED,
    FileState.DIFFERS: CopyState.DIFFERS,
    FileState.MISSING: CopyState.MISSING,
    FileState.MOVED: CopyState.MISSING,
    FileState.UNREADABLE: CopyState.WRITTEN,  # bytes are there, and nothing is proven of them any more
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What is to be written down of one expected file."""

    key: int
    state: FileState
    problem: str | None
    mtime_ns: int | None
    checked_at: dt.datetime


FindTwin = Callable[[int, Mapping[str, str]], int | None]  # size in bytes, hashes → key


class Ledger(Protocol):
    """What is recorded of one folder. Keys are its own; pages of some hundreds are asked for at a time."""

    def expected(self, keys: Sequence[int]) -> list[Expected]: ...
    def recorded(self) -> Iterator[bytes]:
        """The paths of all files, in the order of their bytes."""

    def twins_among(self, missing: Collection[int]) -> FindTwin:
        """What finds one of these missing files by its content; those taken out meanwhile are not found."""

    def write(self, outcomes: Sequence[Outcome]) -> None: ...


CACHE_KIB = 4096


class CatalogueDesk:
    """One session at a time for all lanes: SQLite has one writer, and each connection its own cache, which
    is kept small here. A check goes through the whole catalogue once, and would fill any."""

    def __init__(self, sessions: Sessions) -> None:
        self._sessions = sessions
        self._lock = threading.Lock()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        with self._lock, reading(self._sessions) as session:
            _keep_cache_small(session)
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        with self._lock, writing(self._sessions) as session:
            _keep_cache_small(session)
            yield session


def _keep_cache_small(session: Session) -> None:
    connection = session.connection()
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA cache_size=-{CACHE_KIB}")


class CatalogueLedger:
    """A reel at a destination, as the catalogue has it. Keys are ids of copies."""

    def __init__(self, desk: CatalogueDesk, holding: Holding) -> None:
        self._desk = desk
        self._holding = holding

    def expected(self, keys: Sequence[int]) -> list[Expected]:
        with self._desk.reading() as session:
            return [_expected(record) for record in recorded_of(session, keys)]

    def recorded(self) -> Iterator[bytes]:
        after = b""
        while True:
            with self._desk.reading() as session:
                page = recorded_paths(session, self._holding.reel_id, after, _PATHS)
            yield from page
            if len(page) < _PATHS:
                return
            after = page[-1]

    def twins_among(self, missing: Collection[int]) -> FindTwin:
        holding = self._holding

        def find(size: int, hashes: Mapping[str, str]) -> int | None:
            if holding.algorithm not in hashes:
                return None
            with self._desk.reading() as session:
                twins = missing_with(
                    session,
                    holding.reel_id,
                    holding.destination_id,
                    size=size,
                    algorithm=holding.algorithm,
                    digest=hashes[holding.algorithm],
                )
            return next((twin for twin in twins if twin in missing), None)

        return find

    def write(self, outcomes: Sequence[Outcome]) -> None:
        with self._desk.writing() as session:
            write_outcomes(
                session,
                [
                    CopyOutcome(
                        one.key, COPY_STATES.get(one.state), one.problem, one.mtime_ns, one.checked_at
                    )
                    for one in outcomes
                ],
            )


def _expected(record: CopyRecord) -> Expected:
    hashes = {} if record.digest is None else {record.algorithm: record.digest}
    return Expected(record.copy_id, os.fsdecode(record.path), record.size, hashes)


class ListedLedger:
    """A bare folder, as its hash lists have it. Keys are numbers of its paths in the order of their bytes.

    Nothing but the next generation is written: `write` does nothing.
    """

    def __init__(self, hash_list: HashList) -> None:
        self._list = hash_list
        paths = [path for path in hash_list.listed if not hash_list.ignores(path, folder=False)]
        self._paths = sorted(paths, key=os.fsencode)

    def keys(self, *, oldest: bool) -> list[int]:
        """`oldest`: those first that the earliest generation was the last to speak of."""
        numbers = range(len(self._paths))
        if not oldest:
            return list(numbers)
        return sorted(numbers, key=lambda number: self._list.listed[self._paths[number]][1])

    @property
    def total_bytes(self) -> int:
        return sum(self._list.listed[path][0] or 0 for path in self._paths)

    def expected(self, keys: Sequence[int]) -> list[Expected]:
        return [self._expected(key) for key in keys]

    def recorded(self) -> Iterator[bytes]:
        return (os.fsencode(path) for path in self._paths)

    def twins_among(self, missing: Collection[int]) -> FindTwin:
        by_hash: dict[str, list[int]] = {}
        for key in sorted(missing):
            for algorithm, value in self._expected(key).hashes.items():
                by_hash.setdefault(f"{algorithm} {value}", []).append(key)

        def find(size: int, hashes: Mapping[str, str]) -> int | None:
            keys = (key for name, value in hashes.items() for key in by_hash.get(f"{name} {value}", ()))
            return next((key for key in keys if key in missing and self._is(key, size, hashes)), None)

        return find

    def write(self, outcomes: Sequence[Outcome]) -> None:
        pass

    def _expected(self, key: int) -> Expected:
        path = self._paths[key]
        return Expected(key, path, self._list.listed[path][0], self._list.good(path))

    def _is(self, key: int, size: int, hashes: Mapping[str, str]) -> bool:
        one = self._expected(key)
        if one.size not in (size, None):
            return False
        return all(hashes.get(name, value) == value for name, value in one.hashes.items())
