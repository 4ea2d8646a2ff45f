"""What a person may name, drives that are not there, and in which order and how long a check goes on."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import pytest
from sqlalchemy import update

from ingest.durable import Disk
from shared.db import Sessions, writing
from shared.errors import NotFoundError, UsageError
from shared.models import CopyState, Destination
from tests.faults import FailNth, WhenReading, handle_path
from tests.ingest.check_support import (
    FOLDER,
    LONG_AGO,
    Result,
    Shelf,
    add_reel,
    check,
    make_shelf,
)

A, B = "DCIM/100/A.MOV", "DCIM/100/B.MOV"
SMALL = {f"clip-{number}.wav": 10 + number for number in range(6)}


@pytest.fixture
def shelf(catalogue: Sessions, memory_path: Path) -> Shelf:
    return make_shelf(catalogue, memory_path, SMALL)


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
