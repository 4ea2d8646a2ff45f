"""In which order and how long a check goes on, and what it reads at the same time."""

from __future__ import annotations

import datetime as dt
import errno
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select, update

from ingest.check.model import Progress
from ingest.durable import Disk
from shared.db import Sessions, reading, writing
from shared.models import Copy, CopyState, File
from tests.faults import FailNth, Watched, WhenReading, handle_path
from tests.ingest.check_support import (
    LONG_AGO,
    TREE,
    Result,
    Shelf,
    add_reel,
    flip_bit,
    make_shelf,
    ticking,
)

A, B = "DCIM/100/A.MOV", "DCIM/100/B.MOV"
SMALL = {f"clip-{number}.wav": 10 + number for number in range(6)}


@pytest.fixture
def shelf(catalogue: Sessions, memory_path: Path) -> Shelf:
    return make_shelf(catalogue, memory_path, SMALL)


# --- order, budget, interruption -------------------------------------------------------------------------


def paths(result: Result, drive: Path | None = None) -> list[str]:
    return [one["path"] for one in result.files if drive is None or one["destination"] == str(drive)]


def test_a_budget_stops_in_order_says_what_is_left_and_the_next_run_goes_on(shelf: Shelf) -> None:
    one = shelf.drives[0]
    first = shelf.check(one, budget_seconds=3, clock=ticking())
    assert paths(first) == ["clip-0.wav", "clip-1.wav", "clip-2.wav"]
    assert first.code == 0
    assert first.json["left"] == {"files": 3, "bytes": 13 + 14 + 15, "folders_not_begun": 0, "why": "budget"}
    assert len(shelf.history().generations[-1].files) == 3
    assert shelf.history().generations[-1].root is None

    second = shelf.check(one, budget_seconds=4, clock=ticking())
    assert paths(second) == ["clip-3.wav", "clip-4.wav", "clip-5.wav", "clip-0.wav"]
    third = shelf.check(one, oldest=True)
    assert paths(third) == [f"clip-{n}.wav" for n in (1, 2, 3, 4, 5, 0)]
    assert third.json["left"]["why"] is None


def test_however_small_the_budget_a_file_is_checked(shelf: Shelf) -> None:
    seen: list[str] = []
    for _ in SMALL:
        seen += paths(shelf.check(shelf.drives[0], budget_seconds=1, clock=ticking(1000)))
    assert sorted(seen) == sorted(SMALL)


def test_the_oldest_proof_comes_first_over_all_reels_of_a_drive(shelf: Shelf) -> None:
    add_reel(shelf, verified_at=LONG_AGO - dt.timedelta(days=1))
    with writing(shelf.sessions) as session:
        changes: dict[str, dict[str, Any]] = {
            "clip-4.wav": {"verified_at": None, "state": CopyState.WRITTEN},
            "clip-2.wav": {"verified_at": LONG_AGO + dt.timedelta(days=1)},
        }
        for path, values in changes.items():
            file = select(File.id).where(File.path == path).scalar_subquery()
            session.execute(update(Copy).where(Copy.file_id == file).values(**values))
    result = shelf.check(shelf.drives[0], oldest=True)
    b = [f"B001-{n}.wav" for n in range(3)]
    assert paths(result) == ["clip-4.wav", *b, *(f"clip-{n}.wav" for n in (0, 1, 3, 5, 2))]
    assert len(shelf.history().generations) == 2, "one generation a folder, however often its turn comes"


def test_known_bad_copies_do_not_use_up_the_budget_unless_they_are_repaired(shelf: Shelf) -> None:
    flip_bit(shelf.copy("clip-0.wav"))
    assert shelf.check(shelf.drives[0]).code == 4
    assert paths(shelf.check(shelf.drives[0], budget_seconds=1, clock=ticking(1000))) == ["clip-1.wav"]
    mended = shelf.check(shelf.drives[0], budget_seconds=1, clock=ticking(1000), repair=True)
    assert paths(mended) == ["clip-0.wav"]
    assert mended.file("clip-0.wav")["repair"]["done"] is True


def test_stopped_in_the_middle_of_a_file_the_rest_is_kept(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, TREE, drives=1)
    stop = threading.Event()
    disk = WhenReading("DCIM/100/B.MOV", stop.set, nth=1)
    result = shelf.check(disk=disk, stop=stop)
    assert result.states() == {A: "verified"}, "the file that was being read is given up"
    assert result.json["left"]["why"] == "interrupted"
    assert shelf.row(A).verified_at != LONG_AGO
    assert shelf.row(B).verified_at == LONG_AGO
    assert [one.path for one in shelf.history().generations[-1].files] == [A]
    assert paths(shelf.check(oldest=True))[0] == B


def test_an_error_in_one_lane_ends_the_run_with_that_error(shelf: Shelf) -> None:
    class Breaks(Disk):
        def read_into(self, handle: int, view: memoryview) -> int:
            if handle_path(handle).endswith("clip-2.wav"):
                raise RuntimeError("planted")
            return super().read_into(handle, view)

    with pytest.raises(RuntimeError, match="planted"):
        shelf.check(disk=Breaks())
    with reading(shelf.sessions) as session:
        proven = session.scalars(
            select(File.path).join(Copy).where(Copy.verified_at != LONG_AGO).order_by(File.path)
        ).all()
    assert set(proven) == {"clip-0.wav", "clip-1.wav"}, "what was known is written down"
    assert shelf.check().code == 0


# --- lanes -----------------------------------------------------------------------------------------------


class Drives(Disk):
    """Each drive's folder is a physical drive of its own, or all are one."""

    def __init__(self, *, apart: bool) -> None:
        self._apart = apart
        self._lock = threading.Lock()
        self._both = threading.Barrier(2, timeout=20)
        self._met: set[str] = set()
        self.most_at_once = 0
        self._now = 0

    def drives(self, handle: int) -> frozenset[str]:
        return frozenset({handle_path(handle) if self._apart else "one"})

    def read_into(self, handle: int, view: memoryview) -> int:
        path = handle_path(handle)
        if not path.endswith(".wav"):
            return super().read_into(handle, view)
        with self._lock:
            self._now += 1
            self.most_at_once = max(self.most_at_once, self._now)
            drive = next(part for part in path.split("/") if part.startswith("drive-"))
            first = drive not in self._met
            self._met.add(drive)
        if self._apart and first:
            self._both.wait()  # breaks, and so fails the test, unless both are read at the same time
        count = super().read_into(handle, view)
        with self._lock:
            self._now -= 1
        return count


def test_two_drives_are_read_at_the_same_time(shelf: Shelf) -> None:
    disk = Drives(apart=True)
    assert shelf.check(disk=disk).code == 0
    assert disk.most_at_once == 2


def test_one_drive_is_read_one_file_at_a_time(shelf: Shelf) -> None:
    disk = Drives(apart=False)
    assert shelf.check(disk=disk).code == 0
    assert disk.most_at_once == 1


class Follows:
    def __init__(self) -> None:
        self.drives: Sequence[Progress] = ()

    def say(self, text: str) -> None:
        raise AssertionError(text)

    def planned(self, drives: Sequence[Progress]) -> None:
        self.drives = drives

    def tick(self) -> None:
        pass


def test_progress_ends_at_the_total(shelf: Shelf) -> None:
    follows = Follows()
    shelf.copy("clip-0.wav").unlink()
    shelf.check(following=follows)
    total = sum(SMALL.values())
    assert [(one.total, one.done[0]) for one in follows.drives] == [(2 * total, 2 * total)]


def test_nothing_is_left_open(shelf: Shelf) -> None:
    flip_bit(shelf.copy("clip-0.wav"))
    shelf.copy("clip-1.wav").unlink()
    shelf.check(repair=True)
    before = list(Path("/proc/self/fd").iterdir())
    for number in range(3):
        flip_bit(shelf.copy(f"clip-{number}.wav"))
        shelf.check(repair=True)
        shelf.check(disk=FailNth(20 + number, errno.EIO))
    assert len(list(Path("/proc/self/fd").iterdir())) == len(before)


class Opens(Watched):
    def __init__(self) -> None:
        self.opened: list[str] = []

    def before(self, call: str, path: str) -> None:
        if call == "open_copy" and path.endswith(".wav"):
            self.opened.append(path)


def test_each_file_is_opened_once(shelf: Shelf) -> None:
    disk = Opens()
    shelf.copy("clip-0.wav").rename(shelf.copy("moved.wav"))
    shelf.copy("extra.wav").write_bytes(b"of no missing file's size")
    assert shelf.check(disk=disk).code == 4
    assert len(disk.opened) == len(set(disk.opened))
    assert not [path for path in disk.opened if path.endswith("extra.wav")], "it can't be the missing one"
