"""What a person may name, drives that are not there, and in which order and how long a check goes on."""

from __future__ import annotations

import datetime as dt
import errno
import os
import shutil
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select, update

from ingest.check.model import Progress
from ingest.durable import Disk
from shared.db import Sessions, reading, writing
from shared.errors import NotFoundError, UsageError
from shared.models import Copy, CopyState, Destination, File
from tests import factories as make
from tests.faults import FailNth, Watched, WhenReading, handle_path
from tests.ingest.check_support import (
    FOLDER,
    LONG_AGO,
    TREE,
    Result,
    Shelf,
    check,
    digest_of,
    flip_bit,
    make_shelf,
    ticking,
    write_files,
)
from tests.ingest.copy_support import content

A, B = "DCIM/100/A.MOV", "DCIM/100/B.MOV"
SMALL = {f"clip-{number}.wav": 10 + number for number in range(6)}
OTHER = "film/2026-05-02/B001"


@pytest.fixture
def shelf(catalogue: Sessions, memory_path: Path) -> Shelf:
    return make_shelf(catalogue, memory_path, SMALL)


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


def checked_at(result: Result) -> set[tuple[str, str]]:
    return {(one["destination"], one["reel"]) for one in result.json["folders"]}


# --- what is named ---------------------------------------------------------------------------------------


def test_places(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    add_reel(shelf)
    one, two = map(str, shelf.drives)
    a001, b001 = "A001", "B001"
    everything = {(one, a001), (one, b001), (two, a001)}
    with writing(shelf.sessions) as session:
        session.execute(update(Destination).where(Destination.path == two).values(name="south"))
    monkeypatch.chdir(shelf.drives[0].parent)
    for places, expected in (
        ([], {(one, b001)}),  # the latest production has no other reel
        (["b001"], {(one, b001)}),
        ([one], {(one, a001), (one, b001)}),  # a drive may hold several productions
        (["south"], {(two, a001)}),
        (["drive-2"], {(two, a001)}),
        (["./drive-2/"], {(two, a001)}),
        ([shelf.drives[0].parent], everything),  # a folder above
        ([shelf.drives[0] / "film/2026-05-01"], {(one, a001)}),  # a folder of it
        ([shelf.top(1)], {(two, a001)}),
        (["north"], {(one, a001), (one, b001)}),  # a name of the settings
        ([one, "south", one, shelf.top()], everything),  # each once
    ):
        result = shelf.check(*places, named={"north": shelf.drives[0]})
        assert checked_at(result) == expected, places
        assert result.code == 0
    assert checked_at(shelf.check(one, production="film")) == {(one, a001)}
    assert checked_at(shelf.check(production="film")) == {(one, a001), (two, a001)}
    assert checked_at(shelf.check("A001", production="film")) == {(one, a001), (two, a001)}


def test_a_place_through_a_link_is_the_place(shelf: Shelf) -> None:
    link = shelf.drives[0].parent / "link"
    link.symlink_to(shelf.drives[0])
    assert checked_at(shelf.check(link)) == {(str(shelf.drives[0]), "A001")}


def test_a_place_that_is_nothing_known_says_what_is(shelf: Shelf) -> None:
    with pytest.raises(NotFoundError, match=r"no reel, no destination.*A001.*drive-1") as caught:
        shelf.check("Z999")
    assert caught.value.path == "Z999"


def test_a_folder_inside_a_reel_is_refused_with_the_reels_name(shelf: Shelf) -> None:
    with pytest.raises(UsageError, match="inside reel A001"):
        shelf.check(shelf.top() / "DCIM")


def test_without_a_production_there_is_nothing_to_check(catalogue: Sessions) -> None:
    with pytest.raises(NotFoundError, match="rushlight new"):
        check(catalogue)


# --- drives that are not there ---------------------------------------------------------------------------


class Unplugged(Disk):
    """A drive is pulled out right after one of its files was closed."""

    def __init__(self, drive: Path, *, after: str) -> None:
        self._drive, self._after = drive, after
        self._read, self._gone = False, False

    def _ask(self, path: str) -> None:
        below = path == str(self._drive) or path.startswith(f"{self._drive}/")
        self._gone = self._gone or (self._read and below and not path.endswith(self._after))
        if self._gone and below:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV), path)

    def open_folder(self, path: str | Path, *, at: int | None = None) -> int:
        self._ask(str(path) if at is None else f"{handle_path(at)}/{path}")
        return super().open_folder(path, at=at)

    def open_copy(self, name: str, *, at: int) -> tuple[int, bool]:
        self._ask(f"{handle_path(at)}/{name}")
        return super().open_copy(name, at=at)

    def stat_at(self, name: str, *, at: int) -> os.stat_result:
        self._ask(f"{handle_path(at)}/{name}")
        return super().stat_at(name, at=at)

    def read_into(self, handle: int, view: memoryview) -> int:
        self._ask(handle_path(handle))
        self._read = self._read or handle_path(handle).endswith(self._after)
        return super().read_into(handle, view)


def untouched(shelf: Shelf, drive: int = 0) -> bool:
    rows = [shelf.row(path, drive) for path in shelf.files]
    return all((row.state, row.verified_at) == (CopyState.VERIFIED, LONG_AGO) for row in rows)


@pytest.mark.parametrize("how", ["unplugged", "not mounted", "another drive"])
def test_a_drive_that_is_not_there_is_said_once_and_nothing_is_concluded(shelf: Shelf, how: str) -> None:
    add_reel(shelf)
    shutil.rmtree(shelf.drives[0])
    if how != "unplugged":
        shelf.drives[0].mkdir()
        (shelf.drives[0] / "lost+found").mkdir()
    if how == "another drive":
        (shelf.drives[0] / "holiday").mkdir()

    result = shelf.check(shelf.drives[0].parent, repair=True)

    assert result.code == 3
    assert [kind for kind, _ in result.problems] == ["destination"]
    assert result.states(shelf.drives[0]) == {}
    assert result.states(shelf.drives[1]) == dict.fromkeys(SMALL, "verified")
    assert untouched(shelf)
    assert not (shelf.drives[0] / "film").exists(), "nothing is repaired onto another drive"


def test_a_drive_pulled_in_the_middle_keeps_what_was_proven(shelf: Shelf) -> None:
    add_reel(shelf)
    disk = Unplugged(shelf.drives[0], after=f"{FOLDER}/clip-2.wav")
    result = shelf.check(*shelf.drives, disk=disk)

    assert result.code == 3
    assert [message for _, message in result.problems] == ["the drive is gone"]
    assert result.states(shelf.drives[0]) == {f"clip-{n}.wav": "verified" for n in range(3)}
    assert result.states(shelf.drives[1]) == dict.fromkeys(SMALL, "verified")
    for number in range(6):
        row = shelf.row(f"clip-{number}.wav")
        assert row.state is CopyState.VERIFIED
        assert (row.verified_at == LONG_AGO) is (number > 2), "what was not read is neither missing nor bad"
    again = shelf.check(shelf.drives[0], oldest=True)
    assert again.code == 0
    assert [one["path"] for one in again.files if one["reel"] == "A001"][:3] == [
        f"clip-{n}.wav" for n in (3, 4, 5)
    ]


def test_a_drive_that_went_when_all_was_read_is_said_once(shelf: Shelf) -> None:
    """Renamed away: what is open can still be read, what is looked up by its path is gone."""
    add_reel(shelf)
    away = shelf.drives[0].with_name("away")
    disk = WhenReading(f"drive-1/{FOLDER}/clip-3.wav", lambda: shelf.drives[0].rename(away), nth=1)
    result = shelf.check(*shelf.drives, disk=disk)
    assert result.code == 3
    assert result.states(shelf.drives[0]) == dict.fromkeys(SMALL, "verified")
    assert [message for _, message in result.problems] == ["no hash list was added: the drive is gone"]


def test_a_drive_that_gives_nothing_any_more_is_left_alone(catalogue: Sessions, memory_path: Path) -> None:
    tree = {f"clip-{number:03}.wav": 10 for number in range(40)}
    shelf = make_shelf(catalogue, memory_path, tree)
    disk = FailNth(1, errno.EIO, lasting=True, calls={"read_into"}, named="drive-1/" + f"{FOLDER}/clip")
    result = shelf.check(disk=disk)
    assert result.code == 3
    assert set(result.states(shelf.drives[0]).values()) == {"unreadable"}
    assert len(result.states(shelf.drives[0])) == 20
    assert [message for _, message in result.problems] == [
        "20 files in a row can't be read: the rest was left alone"
    ]
    assert len(result.states(shelf.drives[1])) == 40


def test_a_folder_that_may_not_be_opened_does_not_stop_the_next(shelf: Shelf) -> None:
    add_reel(shelf)
    disk = FailNth(1, errno.EACCES, lasting=True, calls={"open_folder"}, named="A001", below=shelf.drives[0])
    result = shelf.check(shelf.drives[0], disk=disk)
    assert result.code == 3
    assert {one["reel"] for one in result.files} == {"B001"}


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
