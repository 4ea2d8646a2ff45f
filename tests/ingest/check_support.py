"""What the tests of checking share: a reel on two drives with its catalogue, and real damage."""

from __future__ import annotations

import datetime as dt
import io
import json
import os
import re
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import xxhash
from sqlalchemy import select

from ingest.check.model import CheckOrder, Following
from ingest.check.report import CheckReport
from ingest.check.run import run_check
from ingest.durable import Disk
from ingest.hashes import make_hasher
from ingest.mhl import FileHash, FileRecord, History, append_generation, read_history, utc_from_ns
from shared.db import Sessions, reading, writing
from shared.models import Copy, CopyState, Destination, File
from shared.names import display
from tests import factories as make
from tests.ingest.copy_support import content

FOLDER = "film/2026-05-01/A001"
OTHER = "film/2026-05-02/B001"
LONG_AGO = dt.datetime(2026, 5, 1, 8, 0, tzinfo=dt.UTC)
ASIDE = re.compile(r"\.bad-\d{14}$")
FULL = 2 * 1024 * 1024  # one buffer of the reader

# An empty file, a single byte, more than one buffer, two folders, a name of another script.
TREE: Mapping[str, int] = {
    "DCIM/100/A.MOV": FULL + 70_001,
    "DCIM/100/B.MOV": 5_000,
    "DCIM/100/EMPTY.TXT": 0,
    "DCIM/101/C.WAV": 1,
    "DCIM/101/Fähre 🎬.WAV": 5_000,
    "INDEX.XML": 300,
}


def digest_of(data: bytes, algorithm: str = "xxh128") -> str:
    if algorithm == "xxh3":
        return str(xxhash.xxh3_64_hexdigest(data))
    hasher = make_hasher(algorithm)
    hasher.update(data)
    return hasher.hexdigest()


def write_files(top: Path, files: Mapping[str, bytes]) -> None:
    for path, data in files.items():
        (top / path).parent.mkdir(parents=True, exist_ok=True)
        (top / path).write_bytes(data)


def list_files(
    top: Path, files: Mapping[str, bytes], *, algorithms: tuple[str, ...] = ("xxh128",), minute: int = 0
) -> Path:
    """A generation as an offload leaves it."""
    return append_generation(
        Disk(),
        top,
        [
            FileRecord(
                path,
                len(data),
                utc_from_ns((top / path).stat().st_mtime_ns),
                tuple(FileHash(name, digest_of(data, name)) for name in algorithms),
            )
            for path, data in files.items()
        ],
        process="transfer",
        started_at=LONG_AGO + dt.timedelta(minutes=minute),
        algorithm=algorithms[0],
        complete=False,
    )


@dataclass(frozen=True)
class Result:
    """A check that is over. `files` are those of `--json`."""

    report: CheckReport
    files: list[dict[str, Any]]
    json: dict[str, Any]

    @property
    def code(self) -> int:
        return self.report.exit_code

    def states(self, drive: Path | None = None) -> dict[str, str]:
        """The state of each file by path, at one drive or at any."""
        wanted = None if drive is None else str(drive)
        return {one["path"]: one["state"] for one in self.files if wanted in (None, one["destination"])}

    def not_verified(self) -> dict[str, str]:
        return {one["path"]: one["state"] for one in self.files if one["state"] != "verified"}

    def file(self, path: str, drive: Path | None = None) -> dict[str, Any]:
        (found,) = [
            one
            for one in self.files
            if one["path"] == path and (drive is None or one["destination"] == str(drive))
        ]
        return found

    @property
    def problems(self) -> list[tuple[str, str]]:
        return [(one.kind, one.message) for one in self.report.problems]


def check(
    sessions: Sessions,
    *places: str | Path,
    disk: Disk | None = None,
    named: Mapping[str, Path] | None = None,
    stop: threading.Event | None = None,
    clock: Callable[[], float] | None = None,
    following: Following | None = None,
    **order: Any,
) -> Result:
    timed = {} if clock is None else {"clock": clock}
    report = run_check(
        CheckOrder(places=tuple(map(str, places)), **order),
        named or {},
        sessions,
        following,
        disk=disk,
        stop=stop,
        **timed,
    )
    try:
        out = io.StringIO()
        report.write_json(out)
        whole = json.loads(out.getvalue())
        return Result(report, whole["files"], whole)
    finally:
        report.close()


@dataclass(frozen=True)
class Shelf:
    """Reel A001 on two drives, recorded as proven long ago, with a hash list at each."""

    sessions: Sessions
    drives: tuple[Path, ...]
    files: Mapping[str, bytes] = field(default_factory=dict)

    def top(self, drive: int = 0) -> Path:
        return self.drives[drive] / FOLDER

    def copy(self, path: str, drive: int = 0) -> Path:
        return self.top(drive) / path

    def row(self, path: str, drive: int = 0) -> Copy:
        with reading(self.sessions) as session:
            return session.execute(
                select(Copy)
                .join(File, File.id == Copy.file_id)
                .join(Destination, Destination.id == Copy.destination_id)
                .where(File.path_bytes == os.fsencode(path), Destination.path == str(self.drives[drive]))
            ).scalar_one()

    def rows(self, drive: int = 0) -> dict[str, CopyState]:
        return {path: self.row(path, drive).state for path in self.files}

    def history(self, drive: int = 0) -> History:
        history = read_history(None, self.top(drive))
        assert history is not None
        return history

    def check(self, *places: str | Path, **options: Any) -> Result:
        return check(self.sessions, *places, **options)

    def last_actions(self, drive: int = 0) -> dict[str, str | None]:
        """What the newest generation says of each file."""
        return {one.path: one.hashes[0].action for one in self.history(drive).generations[-1].files}


def make_shelf(
    sessions: Sessions,
    root: Path,
    tree: Mapping[str, int] = TREE,
    *,
    drives: int = 2,
    algorithm: str = "xxh128",
    listed: bool = True,
) -> Shelf:
    places = tuple(root / f"drive-{number + 1}" for number in range(drives))
    files = {path: content(path, size) for path, size in tree.items()}
    for place in places:
        write_files(place / FOLDER, files)
        if listed:
            list_files(place / FOLDER, files, algorithms=(algorithm,))
    with writing(sessions) as session:
        production = make.make_production(session, name="film")
        reel = make.make_reel(session, production, name="A001", folder=FOLDER, algorithm=algorithm)
        destinations = [make.make_destination(session, str(place)) for place in places]
        for path, data in files.items():
            digest = digest_of(data, algorithm)
            raw = os.fsencode(path)
            file = make.make_file(session, reel, display(raw), path_bytes=raw, size=len(data), digest=digest)
            for place, destination in zip(places, destinations, strict=True):
                stamp = (place / FOLDER / path).stat().st_mtime_ns
                make.make_copy(session, file, destination, mtime_ns=stamp, verified_at=LONG_AGO)
    return Shelf(sessions, places, files)


def add_reel(shelf: Shelf, name: str = "B001", folder: str = OTHER, **values: Any) -> dict[str, bytes]:
    """A second reel on the first drive alone."""
    files = {f"{name}-{number}.wav": content(name, 20 + number) for number in range(3)}
    write_files(shelf.drives[0] / folder, files)
    with writing(shelf.sessions) as session:
        production = values.get("production") or make.make_production(session, name=f"of {name}")
        reel = make.make_reel(session, production, name=name, folder=folder)
        drive = session.scalars(select(Destination).where(Destination.path == str(shelf.drives[0]))).one()
        for path, data in files.items():
            file = make.make_file(session, reel, path, size=len(data), digest=digest_of(data))
            make.make_copy(session, file, drive, verified_at=values.get("verified_at", LONG_AGO))
    return files


def asides(shelf: Shelf, drive: int = 0) -> list[Path]:
    return [path for path in sorted(shelf.top(drive).rglob("*")) if ASIDE.search(path.name)]


def partials(shelf: Shelf) -> list[Path]:
    return [path for drive in shelf.drives for path in drive.rglob("*.partial")]


def assert_sound(shelf: Shelf, *drives: int) -> None:
    for number in drives or (0, 1):
        for path, data in shelf.files.items():
            assert shelf.copy(path, number).read_bytes() == data
            row = shelf.row(path, number)
            assert (row.state, row.problem) == (CopyState.VERIFIED, None)
            assert row.mtime_ns == shelf.copy(path, number).stat().st_mtime_ns
    assert partials(shelf) == []


# --- damage ----------------------------------------------------------------------------------------------


def flip_bit(path: Path, at: int | None = None) -> None:
    """One bit changes and nothing else: not the size, and (as on a medium that rots) not the time."""
    stamp = path.stat().st_mtime_ns
    data = bytearray(path.read_bytes())
    data[len(data) // 2 if at is None else at] ^= 4
    path.write_bytes(data)
    os.utime(path, ns=(stamp, stamp))


def zero_tail(path: Path, length: int = 512) -> None:
    """The end was never written: a file of the right size whose last bytes are zero."""
    stamp = path.stat().st_mtime_ns
    data = path.read_bytes()
    path.write_bytes(data[:-length] + bytes(length))
    os.utime(path, ns=(stamp, stamp))


def truncate(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def swap(one: Path, other: Path) -> None:
    between = one.with_name("between")
    one.rename(between)
    other.rename(one)
    between.rename(other)


def ticking(step: float = 1.0) -> Callable[[], float]:
    """A clock that goes on by `step` seconds each time it is looked at."""
    moments: Iterator[int] = iter(range(10**9))
    return lambda: next(moments) * step
