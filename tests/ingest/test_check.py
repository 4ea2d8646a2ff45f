"""A check finds every kind of damage, by file, and writes down what it found."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import update

from ingest.durable import Disk, lock_folder
from ingest.mhl import check_history
from shared.db import Sessions, writing
from shared.models import Copy, CopyState, File
from tests.faults import FailNth, NoDirectReads, RefusesDirectReads, ShortReads, WhenReading
from tests.ingest.check_support import (
    FULL,
    LONG_AGO,
    TREE,
    Shelf,
    digest_of,
    flip_bit,
    make_shelf,
    swap,
    truncate,
    zero_tail,
)
from tests.ingest.mhl_support import assert_fits_schema

A, B, C = "DCIM/100/A.MOV", "DCIM/100/B.MOV", "DCIM/101/C.WAV"


@pytest.fixture
def shelf(catalogue: Sessions, memory_path: Path) -> Shelf:
    return make_shelf(catalogue, memory_path)


# --- nothing is wrong ------------------------------------------------------------------------------------


def test_sound_copies_are_verified_and_dated(shelf: Shelf) -> None:
    result = shelf.check()
    assert result.code == 0
    for drive in shelf.drives:
        assert result.states(drive) == dict.fromkeys(TREE, "verified")
    for number in (0, 1):
        for path in TREE:
            row = shelf.row(path, number)
            assert row.state is CopyState.VERIFIED
            assert row.verified_at is not None and row.verified_at > LONG_AGO
            assert row.problem is None
    assert result.json["bytes_read"] == 2 * sum(TREE.values())
    assert result.json["left"] == {"files": 0, "bytes": 0, "folders_not_begun": 0, "why": None}


def test_a_generation_is_added_at_each_copy_and_nothing_old_is_changed(shelf: Shelf) -> None:
    before = [shelf.history(number).generations for number in (0, 1)]
    result = shelf.check()
    for number in (0, 1):
        history = shelf.history(number)
        assert history.generations[:1] == before[number]
        last = history.generations[-1]
        assert last.process == "in-place"
        assert shelf.last_actions(number) == dict.fromkeys(TREE, "verified")
        assert last.root is not None, "every file was hashed, so the folders are as well"
        assert check_history(shelf.top(number)) == []
        assert_fits_schema(shelf.top(number))
    manifests = [path for folder in result.json["folders"] for path in folder["manifests"]]
    assert [Path(path).exists() for path in manifests] == [True, True]


@pytest.mark.parametrize("algorithm", ["xxh64", "md5", "sha1", "c4"])
def test_every_algorithm(catalogue: Sessions, memory_path: Path, algorithm: str) -> None:
    shelf = make_shelf(catalogue, memory_path, drives=1, algorithm=algorithm)
    assert shelf.check().code == 0
    flip_bit(shelf.copy(A), at=FULL + 1)
    found = shelf.check().file(A)
    assert (found["state"], found["algorithm"]) == ("differs", algorithm)
    assert found["found"] == digest_of(shelf.copy(A).read_bytes(), algorithm)


def test_a_changed_time_alone_is_no_damage_and_is_recorded(shelf: Shelf) -> None:
    os.utime(shelf.copy(A), ns=(10**18, 10**18 + 1))
    assert shelf.check().code == 0
    row = shelf.row(A)
    assert (row.state, row.mtime_ns) == (CopyState.VERIFIED, 10**18 + 1)


def test_a_copy_that_was_only_written_is_proven(shelf: Shelf) -> None:
    with writing(shelf.sessions) as session:
        session.execute(update(Copy).values(state=CopyState.WRITTEN, verified_at=None, problem="doubtful"))
    assert shelf.check().code == 0
    row = shelf.row(B)
    assert (row.state, row.problem) == (CopyState.VERIFIED, None)


# --- damage of every kind --------------------------------------------------------------------------------


def leave_link(path: Path, to: Path) -> None:
    path.rename(to)
    path.symlink_to(to)


def replace(path: Path, make: Callable[[Path], None]) -> None:
    path.unlink()
    make(path)


DAMAGE: dict[str, tuple[Callable[[Shelf], object], dict[str, str]]] = {
    "a flipped bit in the first buffer": (lambda s: flip_bit(s.copy(A), at=0), {A: "differs"}),
    "a flipped bit in the last byte": (lambda s: flip_bit(s.copy(A), at=-1), {A: "differs"}),
    "a flipped bit in a single byte": (lambda s: flip_bit(s.copy(C)), {C: "differs"}),
    "truncated": (lambda s: truncate(s.copy(A)), {A: "differs"}),
    "truncated to nothing": (lambda s: os.truncate(s.copy(B), 0), {B: "differs"}),
    "a zeroed tail": (lambda s: zero_tail(s.copy(A)), {A: "differs"}),
    "bytes appended": (lambda s: s.copy(B).write_bytes(s.files[B] + b"x"), {B: "differs"}),
    "swapped files": (
        lambda s: swap(s.copy(B), s.copy("DCIM/101/Fähre 🎬.WAV")),
        {B: "differs", "DCIM/101/Fähre 🎬.WAV": "differs"},
    ),
    "a stale copy": (lambda s: s.copy(B).write_bytes(b"take one of another day"), {B: "differs"}),
    "a file where nothing was": (
        lambda s: s.copy("DCIM/100/EMPTY.TXT").write_bytes(b"x"),
        {"DCIM/100/EMPTY.TXT": "differs"},
    ),
    "missing": (lambda s: s.copy(B).unlink(), {B: "missing"}),
    "a folder missing": (
        lambda s: shutil.rmtree(s.copy("DCIM/101")),
        {C: "missing", "DCIM/101/Fähre 🎬.WAV": "missing"},
    ),
    "all of the reel missing": (lambda s: shutil.rmtree(s.top()), dict.fromkeys(TREE, "missing")),
    "extra": (lambda s: s.copy("DCIM/100/more.txt").write_bytes(b"m"), {"DCIM/100/more.txt": "extra"}),
    "moved": (
        lambda s: s.copy(A).rename(s.copy("DCIM/101/renamed.MOV")),
        {A: "moved"},
    ),
    "moved and damaged": (
        lambda s: flip_bit(s.copy(A).rename(s.copy("renamed.MOV"))),
        {A: "missing", "renamed.MOV": "extra"},
    ),
    "a folder renamed": (
        lambda s: s.copy("DCIM/101").rename(s.copy("DCIM/102")),
        {C: "moved", "DCIM/101/Fähre 🎬.WAV": "moved"},
    ),
    "a link in its place": (
        lambda s: leave_link(s.copy(B), s.top() / "b"),
        {B: "differs", "b": "extra"},
    ),
    "a folder in its place": (lambda s: replace(s.copy(B), Path.mkdir), {B: "differs"}),
    "a pipe in its place": (lambda s: replace(s.copy(B), os.mkfifo), {B: "differs"}),
    "its folder a link": (
        lambda s: leave_link(s.copy("DCIM/101"), s.drives[0] / "elsewhere"),
        {C: "missing", "DCIM/101/Fähre 🎬.WAV": "missing", "DCIM/101": "extra"},
    ),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_damage_is_named_by_file(shelf: Shelf, damage: str) -> None:
    harm, expected = DAMAGE[damage]
    harm(shelf)

    result = shelf.check()

    assert {path: state for path, state in result.states(shelf.drives[0]).items() if state != "verified"} == (
        expected
    )
    assert result.states(shelf.drives[1]) == dict.fromkeys(TREE, "verified"), "the other drive is untouched"
    bad = {path for path, state in expected.items() if state in ("differs", "missing", "moved")}
    assert result.code == (4 if bad else 0)
    for path in TREE:
        row = shelf.row(path)
        if path not in bad:
            assert row.state is CopyState.VERIFIED
            continue
        wanted = CopyState.DIFFERS if expected[path] == "differs" else CopyState.MISSING
        assert row.state is wanted
        assert row.problem
        assert row.verified_at == LONG_AGO, "the date of the last proof stands"


def test_a_differing_copy_says_what_was_expected_and_what_was_found(shelf: Shelf) -> None:
    truncate(shelf.copy(B))
    found = shelf.check().file(B, shelf.drives[0])
    assert found["algorithm"] == "xxh128"
    assert found["expected"] == digest_of(shelf.files[B])
    assert found["found"] == digest_of(shelf.files[B][:2500])
    assert (found["size"], found["found_size"]) == (5000, 2500)
    assert found["expected"] in found["problem"] and found["found"] in found["problem"]
    assert "5,000 bytes were recorded, it has 2,500" in found["problem"]


def test_the_hash_list_says_failed_for_what_differs_and_nothing_of_what_is_missing(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))
    shelf.copy(B).unlink()
    shelf.check()
    actions = shelf.last_actions()
    assert actions.pop(A) == "failed"
    assert B not in actions
    assert set(actions.values()) == {"verified"}
    history = shelf.history()
    assert history.generations[-1].root is None, "not every file was hashed"
    good = history.latest_good(A)
    assert good is not None and good.value == digest_of(shelf.files[A]), "a failed hash is never relied on"
    assert_fits_schema(shelf.top())


def test_a_moved_file_is_named_with_its_new_path(shelf: Shelf) -> None:
    shelf.copy(A).rename(shelf.copy("DCIM/101/renamed.MOV"))
    found = shelf.check().file(A, shelf.drives[0])
    assert found["moved_to"] == "DCIM/101/renamed.MOV"
    assert shelf.row(A).problem == "it stands under another name: DCIM/101/renamed.MOV"
    # What is neither missing nor extra any more is verified again.
    shelf.copy("DCIM/101/renamed.MOV").rename(shelf.copy(A))
    assert shelf.check().code == 0
    assert shelf.row(A).problem is None


def test_of_two_missing_twins_only_as_many_moved_as_there_are(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, {"one.wav": 1, "two.wav": 1, "else.wav": 2}, drives=1)
    data = b"z"
    with writing(catalogue) as session:
        session.execute(update(File).where(File.size == 1).values(digest=digest_of(data)))
    for name in ("one.wav", "two.wav"):
        shelf.copy(name).unlink()
    shelf.copy("three.wav").write_bytes(data)
    states = shelf.check().not_verified()
    assert sorted(states.values()) == ["missing", "moved"]


def test_a_file_that_claims_a_terabyte_is_not_read(shelf: Shelf) -> None:
    os.truncate(shelf.copy(B), 1 << 40)
    found = shelf.check().file(B, shelf.drives[0])
    assert (found["state"], found["found"], found["found_size"]) == ("differs", None, 1 << 40)
    assert "it was not read" in found["problem"]
    assert B not in shelf.last_actions()


# --- reading ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("disk", [ShortReads(), RefusesDirectReads()], ids=["short", "refused"])
def test_odd_readers_change_nothing(shelf: Shelf, disk: Disk) -> None:
    assert shelf.check(disk=disk).not_verified() == {}
    flip_bit(shelf.copy(A), at=-1)
    assert shelf.check(disk=disk).not_verified() == {A: "differs"}


@pytest.mark.parametrize(("resident", "medium"), [(False, True), (True, False), (None, False)])
def test_where_it_was_read_from_is_said_honestly(shelf: Shelf, resident: bool | None, medium: bool) -> None:
    folder = shelf.check(disk=NoDirectReads(resident)).json["folders"][0]
    assert ("memory possible" not in folder["read_back"]) is medium


def test_a_bad_sector_is_one_files_and_the_rest_is_checked(shelf: Shelf) -> None:
    disk = FailNth(1, errno.EIO, lasting=True, calls={"read_into"}, below=shelf.copy(A))
    result = shelf.check(disk=disk)
    assert result.code == 3
    assert result.not_verified() == {A: "unreadable"}
    row = shelf.row(A)
    assert (row.state, row.verified_at) == (CopyState.WRITTEN, LONG_AGO), "nothing is proven of it any more"
    assert row.problem == "it can't be read (Input/output error)"


def test_a_file_that_may_not_be_read_says_nothing_of_its_bytes(shelf: Shelf) -> None:
    disk = FailNth(1, errno.EACCES, lasting=True, calls={"open_copy"}, named="A.MOV", below=shelf.drives[0])
    result = shelf.check(disk=disk)
    assert (result.code, result.not_verified()) == (3, {A: "unchecked"})
    row = shelf.row(A)
    assert (row.state, row.problem) == (CopyState.VERIFIED, "it can't be checked (Permission denied)")


def test_a_file_that_changes_while_it_is_read_is_not_judged(shelf: Shelf) -> None:
    path = shelf.copy(A)
    result = shelf.check(
        disk=WhenReading("drive-1/" + path.relative_to(shelf.drives[0]).as_posix(), path.touch)
    )
    assert (result.code, result.not_verified()) == (3, {A: "unchecked"})


def test_a_file_whose_hash_was_never_known_is_not_called_good(shelf: Shelf) -> None:
    with writing(shelf.sessions) as session:
        session.execute(update(File).where(File.path == A).values(digest=None))
    result = shelf.check()
    assert result.code == 3
    assert result.states(shelf.drives[0])[A] == "unchecked"


def test_another_run_in_the_folder_is_waited_for_by_the_person(shelf: Shelf) -> None:
    handle = os.open(shelf.top(), os.O_RDONLY)
    with lock_folder(handle, "held"):
        result = shelf.check()
    os.close(handle)
    assert result.code == 3
    assert result.states(shelf.drives[0]) == {}
    assert result.states(shelf.drives[1]) == dict.fromkeys(TREE, "verified")
    assert [kind for kind, _ in result.problems] == ["destination"]
    assert shelf.check().code == 0, "the lock was let go of"
