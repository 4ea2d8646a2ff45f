"""Every fault of a destination, by name, with what must come of it.

After each run: the card is as it was, whatever has a final name is the card's file to the byte, and every
file is answered for at every place (`check_promises`).
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from ingest.copy import Copied
from ingest.durable import Disk
from ingest.write import remove_leftovers
from shared.errors import (
    AppError,
    ChecksumMismatchError,
    ConflictError,
    DestinationError,
    DestinationFullError,
    DestinationGoneError,
    MissingCopyError,
    ReadOnlyError,
    RefusedFileError,
)
from shared.models import CopyState
from tests.faults import (
    DRIVE_CALLS,
    BeforePublishing,
    CaseBlind,
    FailNth,
    FlipOnRead,
    FlipOnWrite,
    FullAfter,
    Logged,
    TakesNothing,
    within,
)
from tests.ingest.copy_support import (
    REEL,
    TREE,
    Bench,
    all_verified,
    card_unchanged,
    check_promises,
    files_below,
    make_bench,
    offload,
    partials_below,
    plan_of,
    result_of,
    run_plan,
    states,
)

BIG = "DCIM/100/A.MOV"  # several buffers long


@pytest.fixture
def bench(memory_path: Path) -> Iterator[Bench]:
    bench = make_bench(memory_path)
    with within(60):
        yield bench


# --- faults of one file at one destination: nothing is published, the rest goes on -------------------------


@dataclass(frozen=True)
class FileFault:
    """Something that spoils the copy of one file at the first drive, and its outcome there."""

    name: str
    disk: Callable[[Bench], Disk]
    error: type[AppError]
    state: CopyState | None = None


FILE_FAULTS = (
    FileFault(
        "a bit flips on its way to the drive", lambda b: FlipOnWrite("A.MOV", b.one), ChecksumMismatchError
    ),
    FileFault(
        "a bit flips on the first re-read only", lambda b: FlipOnRead("A.MOV", b.one), ChecksumMismatchError
    ),
    FileFault(
        "the drive refuses its name",
        lambda b: FailNth(1, errno.ENAMETOOLONG, calls=["create"], below=b.one, named="A.MOV"),
        RefusedFileError,
    ),
    FileFault(
        "the drive refuses its name at the end",
        lambda b: FailNth(1, errno.EILSEQ, calls=["publish"], below=b.one, named="A.MOV"),
        RefusedFileError,
    ),
    FileFault(
        "the drive refuses its size",
        lambda b: FailNth(3, errno.EFBIG, calls=["write"], below=b.one, named="A.MOV"),
        RefusedFileError,
    ),
    FileFault(
        "another program takes its name",
        lambda b: BeforePublishing("A.MOV", lambda path: path.write_bytes(b"not ours")),
        ConflictError,
    ),
    FileFault(
        "its temporary file vanishes",
        lambda b: FailNth(1, errno.ENOENT, calls=["open_copy"], below=b.one, named="A.MOV"),
        MissingCopyError,
        CopyState.MISSING,
    ),
    FileFault(
        "its temporary file vanishes after the proof",
        lambda b: FailNth(1, errno.ENOENT, calls=["publish"], below=b.one, named="A.MOV"),
        MissingCopyError,
        CopyState.MISSING,
    ),
)


@pytest.mark.parametrize("fault", FILE_FAULTS, ids=lambda fault: fault.name)
def test_a_copy_that_is_spoilt_is_not_published(bench: Bench, fault: FileFault) -> None:
    with card_unchanged(bench.card):
        copied = offload(bench.card, [bench.one], fault.disk(bench))
    settled = result_of(copied, BIG).at[0]
    assert isinstance(settled.error, fault.error)
    assert settled.state is fault.state
    assert result_of(copied, BIG).digest is not None  # the card gave it whole
    assert not copied.stopped
    others = {path: state for path, state in states(copied, 0).items() if path != BIG}
    assert set(others.values()) == {CopyState.VERIFIED}
    final = bench.copy_at(bench.one, BIG)
    assert not final.exists() or final.read_bytes() == b"not ours"
    assert fault.error is MissingCopyError or not partials_below(bench.one)


def test_a_flipped_bit_at_one_drive_is_that_drives_alone(bench: Bench) -> None:
    disk = FlipOnWrite("A.MOV", bench.two)
    copied = offload(bench.card, bench.drives, disk)
    check_promises(copied, files_below(bench.card))
    assert disk.flipped == 1
    assert all_verified(copied, 0)
    error = result_of(copied, BIG).at[1].error
    assert isinstance(error, ChecksumMismatchError)
    assert error.expected == result_of(copied, BIG).digest != error.found
    assert BIG in str(error.path)


def _flip_last_byte(file: Path) -> None:
    """A change that neither size nor time shows."""
    found = file.stat()
    file.write_bytes(file.read_bytes()[:-1] + b"!")
    os.utime(file, ns=(found.st_atime_ns, found.st_mtime_ns))


def test_a_copy_that_differs_is_never_written_over(bench: Bench) -> None:
    offload(bench.card, bench.drives)
    copy = bench.copy_at(bench.one, BIG)
    _flip_last_byte(copy)
    held = copy.read_bytes()
    copied = run_plan(plan_of(bench.card, bench.drives))
    assert result_of(copied, BIG).at[0].state is CopyState.DIFFERS
    assert isinstance(result_of(copied, BIG).at[0].error, ChecksumMismatchError)
    assert copy.read_bytes() == held
    assert all_verified(copied, 1)


@pytest.mark.parametrize("make", [os.mkfifo, Path.mkdir, lambda path: path.symlink_to("/etc/hostname")])
@pytest.mark.parametrize("planned", [True, False], ids=["before the plan", "after the plan"])
def test_something_that_is_no_file_under_a_final_name(
    bench: Bench, make: Callable[[Path], object], planned: bool
) -> None:
    """Neither followed nor waited for nor written over: that one file is refused there."""
    final = bench.copy_at(bench.one, BIG)
    if planned:
        final.parent.mkdir(parents=True)
        make(final)
        copied = run_plan(plan_of(bench.card, bench.drives))
    else:
        offload(bench.card, [bench.one])
        plan = plan_of(bench.card, bench.drives)
        final.unlink()
        make(final)
        copied = run_plan(plan)
    errors = [settled.error for settled in result_of(copied, BIG).at.values() if settled.place == 0]
    errors += [refusal.error for refusal in copied.plan.refusals if refusal.path == BIG]
    assert len(errors) == 1
    assert isinstance(errors[0], ConflictError | RefusedFileError)
    assert not copied.stopped
    assert {state for path, state in states(copied, 0).items() if path != BIG} == {CopyState.VERIFIED}
    assert all_verified(copied, 1)
    assert not final.is_file() or final.is_symlink()


def test_a_file_where_a_folder_must_be_spoils_that_folder_alone(bench: Bench) -> None:
    blocked = bench.one / REEL / "DCIM"
    blocked.parent.mkdir(parents=True)
    blocked.write_bytes(b"not ours")
    copied = offload(bench.card, bench.drives)
    assert not copied.stopped
    for path, state in states(copied, 0).items():
        assert state is (None if path.startswith("DCIM/") else CopyState.VERIFIED)
    assert all_verified(copied, 1)
    assert blocked.read_bytes() == b"not ours"


def test_a_planted_link_leads_nothing_out_of_the_destination(bench: Bench, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (bench.one / REEL).mkdir(parents=True)
    (bench.one / REEL / "DCIM").symlink_to(elsewhere)
    copied = offload(bench.card, bench.drives)
    assert not any(elsewhere.iterdir())
    assert states(copied, 0)["INDEX.XML"] is CopyState.VERIFIED
    assert isinstance(result_of(copied, BIG).at[0].error, RefusedFileError)
    assert all_verified(copied, 1)


def test_twins_on_a_drive_that_hides_its_blindness_are_not_merged(tmp_path: Path) -> None:
    """The plan does not know; then the exclusive names refuse the second of the two, by name."""
    tree = {"A.MOV": 5000, "a.mov": 5000, "caf\u00e9": 10, "cafe\u0301": 10, "other": 10}
    bench = make_bench(tmp_path, tree)
    copied = offload(bench.card, [bench.one], CaseBlind())
    check_promises(copied, files_below(bench.card))
    assert not copied.stopped
    refused = [result for result in copied.results if result.at[0].state is None]
    assert len(refused) == 2
    assert all(isinstance(r.at[0].error, ConflictError | RefusedFileError) for r in refused)


# --- faults of a whole destination: it stops, the other is completed ---------------------------------------


@dataclass(frozen=True)
class DriveFault:
    name: str
    disk: Callable[[Bench], Disk]
    error: type[DestinationError]


def _fails(code: int, call: str, nth: int = 1, *, lasting: bool = False) -> Callable[[Bench], Disk]:
    return lambda b: FailNth(nth, code, calls=[call], below=b.one, lasting=lasting)


DRIVE_FAULTS = (
    DriveFault("full at once", lambda b: FullAfter(0, b.one), DestinationFullError),
    DriveFault("full after some bytes", lambda b: FullAfter(30_000, b.one), DestinationFullError),
    DriveFault("over quota", _fails(errno.EDQUOT, "write", 2), DestinationFullError),
    DriveFault("write error", _fails(errno.EIO, "write", 3), DestinationError),
    DriveFault("takes nothing", lambda b: TakesNothing(b.one), DestinationError),
    DriveFault("read-only", _fails(errno.EROFS, "create"), ReadOnlyError),
    DriveFault("no right to make a folder", _fails(errno.EACCES, "make_folder"), ReadOnlyError),
    DriveFault("write error told at the close", _fails(errno.EIO, "close", 2), DestinationError),
    DriveFault("sync error", _fails(errno.EIO, "sync", 2), DestinationError),
    DriveFault("error of the folder's sync", _fails(errno.EIO, "sync_folder", 9), DestinationError),
    DriveFault("read error at the proof", _fails(errno.EIO, "read_into", 2), DestinationError),
    DriveFault("error at the renaming", _fails(errno.EIO, "publish", 2), DestinationError),
    DriveFault(
        "unplugged",
        lambda b: FailNth(40, errno.ENODEV, lasting=True, calls=DRIVE_CALLS, below=b.one),
        DestinationGoneError,
    ),
    DriveFault(
        "dead",
        lambda b: FailNth(40, errno.EIO, lasting=True, calls=DRIVE_CALLS, below=b.one),
        DestinationError,
    ),
)


@pytest.mark.parametrize("fault", DRIVE_FAULTS, ids=lambda fault: fault.name)
def test_a_fault_of_a_destination_stops_it_and_the_other_is_completed(
    bench: Bench, fault: DriveFault
) -> None:
    with card_unchanged(bench.card):
        copied = offload(bench.card, bench.drives, fault.disk(bench))
    check_promises(copied, files_below(bench.card))
    assert list(copied.stopped) == [0]
    assert isinstance(copied.stopped[0], fault.error)
    assert str(bench.one) in str(copied.stopped[0].path)
    assert copied.stopped[0].remedy
    assert all_verified(copied, 1)
    assert all(result.error is None for result in copied.results)  # the card did nothing wrong
    again = offload_again(bench)
    assert all_verified(again, 0)
    assert all_verified(again, 1)


def offload_again(bench: Bench) -> Copied:
    """The next run after a broken one, as the program makes it: leftovers first."""
    for place in plan_of(bench.card, bench.drives).places:
        remove_leftovers(Disk(), place, TREE)
    copied = offload(bench.card, bench.drives)
    for drive in bench.drives:
        assert not partials_below(drive)
        assert files_below(drive / REEL) == files_below(bench.card)
    return copied


def test_a_failed_sync_is_never_tried_again_on_the_same_bytes(bench: Bench) -> None:
    """After it the system may call lost pages clean (published study of fsync failures, 2020)."""

    class SyncFails(Logged):
        def before(self, call: str, path: str) -> None:
            if call == "sync":
                self.log.append(("asked", path))
                raise OSError(errno.EIO, os.strerror(errno.EIO))

    disk = SyncFails()
    copied = offload(bench.card, [bench.one], disk)
    assert list(copied.stopped) == [0]
    asked = disk.names("asked")
    assert len(asked) == len(set(asked))
    assert not disk.names("publish")
    assert not partials_below(bench.one)
    again = Logged()
    offload(bench.card, [bench.one], again)
    assert len(again.names("create")) == len(TREE)  # every byte is written anew


def test_an_error_of_the_whole_file_systems_sync_publishes_nothing(tmp_path: Path) -> None:
    bench = make_bench(tmp_path, {f"C{n:02}": 100 for n in range(30)})
    copied = offload(bench.card, bench.drives, FailNth(1, errno.EIO, calls=["sync_all"], below=bench.one))
    check_promises(copied, files_below(bench.card))
    assert list(copied.stopped) == [0]
    assert not files_below(bench.one)
    assert all_verified(copied, 1)


def test_published_but_not_synced_is_called_written_not_verified(bench: Bench) -> None:
    """The names stand and hold the right bytes, but a power cut could take them."""

    class FolderSyncFails(Disk):
        published = False

        def publish(self, partial: str, final: str, *, at: int) -> None:
            super().publish(partial, final, at=at)
            self.published = True

        def sync_folder(self, folder: int) -> None:
            if self.published:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            super().sync_folder(folder)

    copied = offload(bench.card, [bench.one], FolderSyncFails())
    check_promises(copied, files_below(bench.card))
    assert set(states(copied, 0).values()) == {CopyState.WRITTEN}
    assert all(result.at[0].error is copied.stopped[0] for result in copied.results)


def test_a_drive_that_keeps_its_own_times_is_no_fault(bench: Bench) -> None:
    copied = offload(bench.card, bench.drives, FailNth(1, errno.EPERM, lasting=True, calls=["set_mtime"]))
    check_promises(copied, files_below(bench.card))
    assert all_verified(copied, 0)


def test_an_empty_folder_that_can_t_be_made_is_told(bench: Bench) -> None:
    disk = FailNth(1, errno.EROFS, calls=["make_folder"], below=bench.one, named="PRIVATE")
    copied = offload(bench.card, bench.drives, disk)
    assert all_verified(copied, 0)
    assert isinstance(copied.stopped[0], ReadOnlyError)
    assert "PRIVATE" in str(copied.stopped[0].path)
    assert (bench.two / REEL / "PRIVATE/EMPTY").is_dir()
