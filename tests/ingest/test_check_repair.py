"""A bad copy is written anew from one that was just proven, and is kept aside."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import pytest
from sqlalchemy import update

from ingest.card import UNLISTED
from ingest.check.rewrite import aside_name, leftovers_of
from ingest.durable import Disk
from ingest.write import partial_name
from shared.db import Sessions, writing
from shared.models import CopyState, File
from shared.models.base import now
from tests.faults import (
    FailNth,
    Logged,
    ShortReads,
    ShortWrites,
    WhenReading,
    is_below,
)
from tests.ingest.check_support import (
    LONG_AGO,
    TREE,
    Shelf,
    asides,
    assert_sound,
    flip_bit,
    make_shelf,
    truncate,
    write_files,
)
from tests.ingest.mhl_support import assert_fits_schema

A, B, C = "DCIM/100/A.MOV", "DCIM/100/B.MOV", "DCIM/101/C.WAV"


@pytest.fixture
def shelf(catalogue: Sessions, memory_path: Path) -> Shelf:
    return make_shelf(catalogue, memory_path)


# --- it works --------------------------------------------------------------------------------------------


def test_a_bad_copy_is_replaced_and_kept_aside(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))
    bad = shelf.copy(A).read_bytes()

    result = shelf.check(repair=True)

    assert result.code == 0
    assert_sound(shelf)
    (aside,) = asides(shelf)
    assert aside.read_bytes() == bad
    said = result.file(A, shelf.drives[0])
    assert said["state"] == "differs"
    assert said["repair"] == {
        "done": True,
        "from": str(shelf.copy(A, 1)),
        "set_aside": str(aside),
        "problem": None,
    }
    assert result.json["repaired"] == 1
    again = shelf.check()
    assert again.code == 0
    assert again.not_verified() == {aside.relative_to(shelf.top()).as_posix(): "set aside"}


def test_the_history_says_failed_then_verified_and_never_lists_what_was_set_aside(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))
    shelf.check(repair=True)
    failed, repaired = shelf.history().generations[-2:]
    assert {one.path: one.hashes[0].action for one in failed.files}[A] == "failed"
    assert [(one.path, one.hashes[0].action) for one in repaired.files] == [(A, "verified")]
    assert repaired.process == "transfer", "its bytes were copied here anew"
    assert UNLISTED[-1] in shelf.history().ignore_patterns
    assert_fits_schema(shelf.top())
    shelf.check()
    assert not any(".bad-" in path for path in shelf.history().known_paths)
    assert shelf.history().generations[-1].root is not None


def test_a_missing_copy_is_written_anew_with_its_folders(shelf: Shelf) -> None:
    shutil.rmtree(shelf.copy("DCIM"))
    result = shelf.check(repair=True)
    assert (result.code, result.json["repaired"]) == (0, 5)
    assert_sound(shelf)
    assert asides(shelf) == []


def test_a_whole_reel_is_written_anew(shelf: Shelf) -> None:
    shutil.rmtree(shelf.top())
    assert shelf.check(repair=True).code == 0
    assert_sound(shelf)
    assert set(shelf.history().known_paths) == set(TREE)


def test_the_time_of_the_file_on_the_card_is_kept(shelf: Shelf) -> None:
    with writing(shelf.sessions) as session:
        session.execute(update(File).where(File.path == A).values(mtime_ns=1_777_622_400_123_456_789))
    shelf.copy(A).unlink()
    shelf.check(repair=True)
    assert shelf.copy(A).stat().st_mtime_ns == 1_777_622_400_123_456_789


def test_bad_copies_on_both_drives_repair_each_other(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))
    truncate(shelf.copy(B, 1))
    shelf.copy(C, 1).unlink()
    result = shelf.check(repair=True)
    assert (result.code, result.json["repaired"]) == (0, 3)
    assert_sound(shelf)


def test_a_copy_that_can_not_be_read_is_replaced(shelf: Shelf) -> None:
    inode = shelf.copy(A).stat().st_ino

    class BadSector(Disk):
        def read_into(self, handle: int, view: memoryview) -> int:
            if os.fstat(handle).st_ino == inode:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return super().read_into(handle, view)

    result = shelf.check(repair=True, disk=BadSector())
    assert result.file(A, shelf.drives[0])["state"] == "unreadable"
    assert result.code == 0
    assert asides(shelf)[0].stat().st_ino == inode
    assert_sound(shelf)


def test_a_link_or_folder_in_its_place_is_set_aside_as_well(shelf: Shelf) -> None:
    shelf.copy(A).unlink()
    shelf.copy(A).symlink_to(shelf.copy(A, 1))
    shelf.copy(B).unlink()
    write_files(shelf.copy(B), {"inside": b"kept"})
    assert shelf.check(repair=True).code == 0
    assert_sound(shelf)
    link, folder = asides(shelf)
    assert link.is_symlink()
    assert (folder / "inside").read_bytes() == b"kept"


def test_a_moved_file_is_its_own_source_and_stays(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, drives=1)
    shelf.copy(A).rename(shelf.copy("renamed.MOV"))
    result = shelf.check(repair=True)
    assert result.code == 0
    assert result.file(A)["repair"]["from"] == str(shelf.copy("renamed.MOV"))
    assert_sound(shelf, 0)
    assert shelf.copy("renamed.MOV").read_bytes() == shelf.files[A]


def test_a_third_copy_is_asked_when_the_second_is_bad(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, drives=3)
    flip_bit(shelf.copy(A, 0))
    flip_bit(shelf.copy(A, 1))
    result = shelf.check(shelf.drives[0], repair=True)

    assert result.file(A)["repair"]["from"] == str(shelf.copy(A, 2))
    # The second drive was not to be checked; what was found of it is told, written down and left alone.
    assert ("copy", "it differs as well") in result.problems
    assert result.code == 4
    assert shelf.row(A, 1).state is CopyState.DIFFERS
    assert asides(shelf, 1) == []
    assert shelf.row(A, 2).verified_at != LONG_AGO, "it was proven just now"
    assert shelf.check(repair=True).code == 0
    assert_sound(shelf, 0, 1, 2)


@pytest.mark.parametrize("disk", [ShortReads(), ShortWrites()], ids=["reads", "writes"])
def test_short_reads_and_writes(shelf: Shelf, disk: Disk) -> None:
    flip_bit(shelf.copy(A))
    assert shelf.check(repair=True, disk=disk).code == 0
    assert_sound(shelf)


# --- what a broken repair left ---------------------------------------------------------------------------


def test_a_good_partial_is_taken_up_even_when_no_other_copy_is_left(shelf: Shelf) -> None:
    """Killed between the two renames, and then the other drive was lost: the partial is the only good one."""
    shelf.copy(A).rename(shelf.copy(A).with_name("A.MOV.bad-20260501080000"))
    shelf.copy(A).with_name(partial_name("A.MOV", "0123abcd")).write_bytes(shelf.files[A])
    shutil.rmtree(shelf.drives[1])
    result = shelf.check(shelf.drives[0], repair=True)
    assert result.code == 0
    assert result.file(A)["repair"]["from"].endswith("A.MOV.0123abcd.partial")
    assert_sound(shelf, 0)


def test_a_half_written_partial_is_removed_once_it_is_read(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))
    half = shelf.copy(A).with_name(partial_name("A.MOV", "0123abcd"))
    half.write_bytes(shelf.files[A][:-1])
    other = shelf.copy(A).with_name(partial_name("OTHER.MOV", "0123abcd"))
    other.write_bytes(b"of another file")
    assert shelf.check(repair=True).code == 0
    assert not half.exists()
    assert other.read_bytes() == b"of another file"
    other.unlink()
    assert_sound(shelf)


def test_a_file_of_the_card_that_is_named_like_a_partial_is_kept(
    catalogue: Sessions, memory_path: Path
) -> None:
    odd = "B.MOV.0123abcd.partial"
    shelf = make_shelf(catalogue, memory_path, {"B.MOV": 100, odd: 50})
    flip_bit(shelf.copy("B.MOV"))
    assert shelf.check(repair=True).code == 0
    for path, data in shelf.files.items():
        assert shelf.copy(path).read_bytes() == data


@pytest.mark.parametrize("name", ["B.MOV", "ä" * 127, "x" * 255])
def test_names_beside_fit_and_are_found_again(name: str) -> None:
    moment = now()
    aside = aside_name(name, moment)
    assert len(os.fsencode(aside)) <= 255
    assert aside.endswith(f".bad-{moment:%Y%m%d%H%M%S}")
    assert leftovers_of(name).fullmatch(partial_name(name, "0123abcd"))
    assert not leftovers_of(name).fullmatch(name)
    if len(name) > 100:
        assert aside != aside_name(name[:-1] + "y", moment), "long names stay apart"


def test_a_name_of_255_bytes(catalogue: Sessions, memory_path: Path) -> None:
    long = {"ä" * 125 + "1.wav": 9, "ä" * 125 + "2.wav": 9}
    shelf = make_shelf(catalogue, memory_path, long)
    for path in long:
        flip_bit(shelf.copy(path))
    assert shelf.check(repair=True).code == 0
    assert_sound(shelf)
    assert len(asides(shelf)) == 2


# --- the order of the steps ------------------------------------------------------------------------------


STEPS = {
    "create",
    "write",
    "close",
    "open_copy",
    "sync",
    "drop_cache",
    "read_into",
    "sync_folder",
    "publish",
    "remove",
}


def test_the_steps_come_in_the_order_that_survives_a_power_cut(shelf: Shelf) -> None:
    flip_bit(shelf.copy(B))
    disk = Logged()
    shelf.check(repair=True, disk=disk)
    folder = str(shelf.copy(B).parent)
    steps = [
        (call, path.removeprefix(folder).lstrip("/"))
        for call, path in disk.log
        if is_below(path, shelf.copy(B).parent) and call in STEPS
    ]
    first = steps.index(next(step for step in steps if step[0] == "create"))
    partial = steps[first][1]
    assert leftovers_of("B.MOV").fullmatch(partial)
    assert [step for step in steps[first:] if step != ("open_copy", "")] == [
        ("create", partial),
        ("write", partial),
        ("close", partial),
        ("open_copy", partial),
        ("sync", partial),
        ("drop_cache", partial),
        ("read_into", partial),
        ("sync_folder", ""),
        ("publish", "B.MOV"),  # aside
        ("publish", partial),  # in its place
        ("sync_folder", ""),
    ]


def test_a_source_that_changes_while_it_is_read_is_not_used(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))
    source = shelf.copy(A, 1)
    disk = WhenReading(str(source), source.touch)
    result = shelf.check(shelf.drives[0], repair=True, disk=disk)
    assert "it changed while it was read" in result.file(A)["repair"]["problem"]


def test_a_drive_that_can_not_be_written_to_is_said_once(shelf: Shelf) -> None:
    shutil.rmtree(shelf.top())
    disk = FailNth(1, errno.EROFS, lasting=True, calls={"make_folder"}, below=shelf.drives[0])
    result = shelf.check(repair=True, disk=disk)
    assert result.code == 4
    assert result.json["repaired"] == 0
    told = [message for kind, message in result.problems if kind == "destination"]
    assert len(told) == 1, "what stops the whole drive is said once"
    assert_sound(shelf, 1)
