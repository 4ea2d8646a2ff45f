"""When a repair can't or must not be made, it says so and nothing is touched."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from ingest.check.rewrite import aside_name
from ingest.durable import Disk
from shared.db import Sessions
from shared.models import CopyState
from shared.models.base import now
from tests.faults import (
    BeforePublishing,
    FlipOnRead,
    FlipOnWrite,
    FullAfter,
    TakesNothing,
    handle_path,
)
from tests.ingest.check_support import (
    Shelf,
    asides,
    assert_sound,
    check,
    flip_bit,
    list_files,
    make_shelf,
    partials,
    write_files,
)

A, B, C = "DCIM/100/A.MOV", "DCIM/100/B.MOV", "DCIM/101/C.WAV"


@pytest.fixture
def shelf(catalogue: Sessions, memory_path: Path) -> Shelf:
    return make_shelf(catalogue, memory_path)


# --- it can't, or must not -------------------------------------------------------------------------------


def test_both_copies_bad_is_said_and_nothing_is_touched(shelf: Shelf) -> None:
    for number in (0, 1):
        flip_bit(shelf.copy(A, number), at=number)
    before = [shelf.copy(A, number).read_bytes() for number in (0, 1)]
    result = shelf.check(repair=True)
    assert result.code == 4
    for number in (0, 1):
        repair = result.file(A, shelf.drives[number])["repair"]
        assert repair["done"] is False
        assert "no good copy of it was found" in repair["problem"]
        assert f"{shelf.copy(A, 1 - number)}: it differs as well" in repair["problem"]
        assert shelf.copy(A, number).read_bytes() == before[number]
        assert asides(shelf, number) == []


def test_the_other_drive_not_there_is_said(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))
    shutil.rmtree(shelf.drives[1])
    result = shelf.check(shelf.drives[0], repair=True)
    assert result.code == 4
    assert "is the drive plugged in?" in result.file(A)["repair"]["problem"]


def test_the_good_copy_is_verified_before_it_is_believed(shelf: Shelf) -> None:
    """Recorded as verified, its time unchanged, and rotten all the same: it is never copied."""
    flip_bit(shelf.copy(A))
    flip_bit(shelf.copy(A, 1), at=9)
    result = shelf.check(shelf.drives[0], repair=True)
    assert result.code == 4
    assert shelf.row(A, 1).state is CopyState.DIFFERS
    assert asides(shelf) == []


def test_a_source_that_gives_other_bytes_the_second_time_is_not_copied(shelf: Shelf) -> None:
    """It proves good, and is read wrong while it is copied."""
    flip_bit(shelf.copy(B))

    class SecondReadWrong(Disk):
        reads = 0

        def read_into(self, handle: int, view: memoryview) -> int:
            count = super().read_into(handle, view)
            if handle_path(handle) == str(shelf.copy(B, 1)):
                self.reads += 1
                if self.reads == 2:
                    view[0] ^= 1
            return count

    result = shelf.check(shelf.drives[0], repair=True, disk=SecondReadWrong())
    assert result.code == 4
    assert "other bytes when it was copied" in result.file(B)["repair"]["problem"]
    assert asides(shelf) == [] and partials(shelf) == []


def test_a_copy_that_does_not_prove_right_is_not_published(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))
    bad = shelf.copy(A).read_bytes()
    disk = FlipOnWrite("A.MOV", below=shelf.drives[0])
    result = shelf.check(repair=True, disk=disk)
    assert disk.flipped == 1
    assert result.code == 4
    assert "did not prove right" in result.file(A, shelf.drives[0])["repair"]["problem"]
    assert shelf.copy(A).read_bytes() == bad
    assert asides(shelf) == [] and partials(shelf) == []


def test_a_proof_that_is_read_wrong_is_no_proof(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))
    disk = FlipOnRead("A.MOV.", shelf.drives[0])
    result = shelf.check(repair=True, disk=disk)
    assert (disk.flipped, result.code) == (1, 4)
    assert asides(shelf) == [] and partials(shelf) == []


def test_a_full_drive_is_said_before_anything_is_written(shelf: Shelf) -> None:
    flip_bit(shelf.copy(A))

    class NoSpace(Disk):
        def free_bytes(self, path: Path) -> int:
            return len(shelf.files[A]) - 1

    result = shelf.check(repair=True, disk=NoSpace())
    assert result.code == 4
    assert "bytes are needed" in result.file(A, shelf.drives[0])["repair"]["problem"]
    assert asides(shelf) == [] and partials(shelf) == []


@pytest.mark.parametrize("fault", ["full", "takes nothing"])
def test_a_drive_that_takes_no_more(shelf: Shelf, fault: str) -> None:
    flip_bit(shelf.copy(A))
    bad = shelf.copy(A).read_bytes()
    below = shelf.copy(A).parent
    disk = FullAfter(70_000, below) if fault == "full" else TakesNothing(below)
    result = shelf.check(repair=True, disk=disk)
    assert result.code == 4
    assert shelf.copy(A).read_bytes() == bad
    assert asides(shelf) == [] and partials(shelf) == []
    assert shelf.check(repair=True).code == 0
    assert_sound(shelf)


def test_what_appears_under_a_missing_name_is_never_written_over(shelf: Shelf) -> None:
    shelf.copy(B).unlink()
    disk = BeforePublishing("B.MOV", lambda path: path.write_bytes(b"somebody else's"))
    result = shelf.check(repair=True, disk=disk)
    assert result.code == 4
    assert result.file(B, shelf.drives[0])["repair"]["done"] is False
    assert shelf.copy(B).read_bytes() == b"somebody else's"
    assert partials(shelf) == []


def test_a_bad_copy_of_the_same_second_is_not_written_over(shelf: Shelf) -> None:
    names = {aside_name("B.MOV", now() + dt.timedelta(seconds=second)) for second in range(-2, 20)}
    taken = [shelf.copy(B).with_name(name) for name in names]
    for path in taken:
        path.write_bytes(b"an earlier bad one")
    flip_bit(shelf.copy(B))
    assert shelf.check(repair=True).code == 0
    assert all(path.read_bytes() == b"an earlier bad one" for path in taken)
    assert_sound(shelf)


def test_a_bare_folder_has_nothing_to_repair_from(catalogue: Sessions, memory_path: Path) -> None:
    files = {"a.wav": b"one", "b.wav": b"two"}
    write_files(memory_path / "bare", files)
    list_files(memory_path / "bare", files)
    flip_bit(memory_path / "bare/a.wav")
    result = check(catalogue, memory_path / "bare", repair=True)
    assert result.code == 4
    assert "a repair needs the catalogue" in result.file("a.wav")["repair"]["problem"]
