"""A check finds every kind of damage, by file, and writes down what it found."""

from __future__ import annotations

import errno
import os
import shutil
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import update

from ingest.durable import Disk, lock_folder
from ingest.mhl import check_history
from shared.db import Sessions, writing
from shared.models import Copy, CopyState, File
from tests.faults import CaseBlind, FailNth, NoDirectReads, RefusesDirectReads, ShortReads, WhenReading
from tests.ingest.check_support import (
    FULL,
    LONG_AGO,
    TREE,
    Shelf,
    digest_of,
    flip_bit,
    list_files,
    make_shelf,
    swap,
    truncate,
    write_files,
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


# --- what is extra ---------------------------------------------------------------------------------------


def test_what_computers_and_runs_leave_is_not_extra(shelf: Shelf) -> None:
    top = shelf.top()
    write_files(top, {".DS_Store": b"d", "DCIM/Thumbs.db": b"t", "System Volume Information/x": b"s"})
    write_files(top, {f"{B}.0123abcd.partial": b"half", f"{B}.bad-20260501080000": b"bad"})
    result = shelf.check()
    assert result.code == 0
    assert result.not_verified() == {
        f"{B}.0123abcd.partial": "unfinished",
        f"{B}.bad-20260501080000": "set aside",
    }
    assert shelf.history().generations[-1].root is not None, "ignored files don't make it incomplete"


def test_pipes_links_and_sockets_are_extra_and_left_alone(shelf: Shelf) -> None:
    os.mkfifo(shelf.top() / "pipe")
    (shelf.top() / "link").symlink_to(shelf.drives[1])
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(f"/proc/self/fd/{os.open(shelf.top(), os.O_RDONLY)}/socket")
    result = shelf.check()
    assert result.not_verified() == {"pipe": "extra", "link": "extra", "socket": "extra"}
    assert result.file("link")["problem"] == "it is a link or no plain file"


def test_a_recorded_file_wins_over_an_ignore_pattern(catalogue: Sessions, memory_path: Path) -> None:
    """A card may hold names that this program gives a meaning."""
    tree = {"take.bad-20260501080000": 5, "x.0123abcd.partial": 6, "Thumbs.db": 7, "a.wav": 8}
    shelf = make_shelf(catalogue, memory_path, tree, drives=1)
    assert shelf.check().states() == dict.fromkeys(tree, "verified")
    flip_bit(shelf.copy("Thumbs.db"))
    result = shelf.check()
    assert result.not_verified() == {"Thumbs.db": "differs"}
    assert any("no hash list can hold its name" in message for _, message in result.problems)


def test_an_empty_folder_is_in_the_folders_hashes(shelf: Shelf) -> None:
    (shelf.top() / "PRIVATE/EMPTY").mkdir(parents=True)
    shelf.check()
    folders = {one.path for one in shelf.history().generations[-1].folders}
    assert folders == {"DCIM", "DCIM/100", "DCIM/101", "PRIVATE", "PRIVATE/EMPTY"}


def test_names_that_are_no_text(catalogue: Sessions, memory_path: Path) -> None:
    odd = os.fsdecode(b"clip\xff\n.mov")
    shelf = make_shelf(catalogue, memory_path, {odd: 9, "plain.mov": 9}, drives=1, listed=False)
    result = shelf.check()
    assert result.states() == {"clip\\xff\\u000a.mov": "verified", "plain.mov": "verified"}
    assert [message for _, message in result.problems] == [
        "checked, but no hash list can hold its name (1 such files)"
    ]
    shelf.copy(odd).rename(shelf.copy("other"))
    assert shelf.check().file("clip\\xff\\u000a.mov")["moved_to"] == "other"


def test_a_drive_that_lists_a_name_in_another_form_has_no_extra(
    catalogue: Sessions, memory_path: Path
) -> None:
    shelf = make_shelf(catalogue, memory_path, {"Fähre.WAV": 5, "b.wav": 6}, drives=1)
    shelf.copy("Fähre.WAV").rename(shelf.copy("fa\u0308hre.wav"))  # decomposed, and in lower case
    assert shelf.check(disk=CaseBlind()).not_verified() == {}
    assert shelf.check().not_verified() == {"Fähre.WAV": "moved"}, "on a drive that tells them apart"


# --- hash lists ------------------------------------------------------------------------------------------


def test_a_history_is_begun_where_there_is_none(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, drives=1, listed=False)
    assert shelf.check().code == 0
    assert set(shelf.last_actions().values()) == {"original"}


def test_what_differs_is_never_the_first_good_hash(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, drives=1, listed=False)
    flip_bit(shelf.copy(A))
    shelf.check()
    assert shelf.last_actions()[A] == "failed"


def test_a_history_in_another_format_is_continued(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, drives=1, listed=False)
    list_files(shelf.top(), shelf.files, algorithms=("md5",))
    assert shelf.check().problems == []
    last = shelf.history().generations[-1].files[0]
    assert {one.algorithm: one.action for one in last.hashes} == {"md5": "verified", "xxh128": "verified"}


def test_a_forged_manifest_is_named_and_the_catalogue_stands_alone(shelf: Shelf) -> None:
    (manifest,) = shelf.top().glob("ascmhl/*.mhl")
    manifest.write_text(manifest.read_text().replace(digest_of(shelf.files[A]), "0" * 32))
    flip_bit(shelf.copy(B))
    result = shelf.check()
    assert result.code == 4
    assert [(kind, "C4" in message) for kind, message in result.problems] == [("manifest", True)]
    assert result.report.problems[0].path is not None and manifest.name in result.report.problems[0].path
    assert result.states(shelf.drives[0])[B] == "differs"
    assert len(list(shelf.top().glob("ascmhl/*.mhl"))) == 1, "nothing is added to it"


def test_a_hash_list_that_says_otherwise_than_the_catalogue_is_named(shelf: Shelf) -> None:
    shutil.rmtree(shelf.top() / "ascmhl")
    list_files(shelf.top(), {**shelf.files, A: b"forged"})
    result = shelf.check()
    assert result.states(shelf.drives[0])[A] == "verified", "by the catalogue"
    assert result.code == 4
    assert [kind for kind, message in result.problems if "its hash list says otherwise" in message] == [
        "manifest"
    ]


def test_a_chain_that_came_with_the_card_may_grow(catalogue: Sessions, memory_path: Path) -> None:
    """A card with a history: its chain is a recorded file, and every generation changes it."""
    shelf = make_shelf(catalogue, memory_path, drives=1)
    with writing(catalogue) as session:
        reel = session.query(File).first()
        assert reel is not None
        for path in sorted(shelf.top().glob("ascmhl/*")):
            data = path.read_bytes()
            name = path.relative_to(shelf.top()).as_posix()
            session.add(
                row := File(
                    reel_id=reel.reel_id,
                    offload_id=reel.offload_id,
                    path=name,
                    path_bytes=name.encode(),
                    size=len(data),
                    mtime_ns=0,
                    algorithm="xxh128",
                    digest=digest_of(data),
                )
            )
            session.flush()
            session.add(Copy(file_id=row.id, destination_id=1, state=CopyState.VERIFIED))
    for _ in range(3):
        result = shelf.check()
        assert (result.code, result.problems) == (0, [])
    assert len(shelf.history().generations) == 4


def test_a_read_only_drive_is_checked_and_the_missing_generation_noted(shelf: Shelf) -> None:
    disk = FailNth(1, errno.EROFS, lasting=True, calls={"create"}, below=shelf.drives[0])
    result = shelf.check(disk=disk)
    assert result.code == 0
    assert [kind for kind, _ in result.problems] == ["note"]
    assert shelf.row(A).verified_at != LONG_AGO


def test_a_full_drive_is_named(shelf: Shelf) -> None:
    disk = FailNth(1, errno.ENOSPC, lasting=True, calls={"create", "write"}, below=shelf.drives[0])
    result = shelf.check(disk=disk)
    assert result.code == 3
    assert [kind for kind, _ in result.problems] == ["destination"]


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
