"""Every fault, by name, with what must come of it; then every single call of the seam, failing in turn.

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

from ingest.copy import Copied, CopyOptions
from ingest.durable import Disk
from ingest.write import remove_leftovers
from shared.errors import (
    AppError,
    CardError,
    ChecksumMismatchError,
    ConflictError,
    DestinationError,
    DestinationFullError,
    DestinationGoneError,
    MissingCopyError,
    ReadOnlyError,
    RefusedFileError,
    SourceChangedError,
    UnreadableError,
    VanishedError,
)
from shared.models import CopyState
from tests.faults import (
    CARD_CALLS,
    DRIVE_CALLS,
    BeforePublishing,
    CaseBlind,
    FailNth,
    FlipOnRead,
    FlipOnWrite,
    FullAfter,
    Logged,
    TakesNothing,
    WhenReading,
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
    known_from,
    make_bench,
    offload,
    partials_below,
    plan_of,
    result_of,
    run_plan,
    states,
)

BIG = "DCIM/100/A.MOV"  # several buffers long
ONE_THREAD = CopyOptions(buffers=2, buffer_bytes=16 * 1024, settle_workers=1)
TWICE = CopyOptions(buffers=3, buffer_bytes=16 * 1024, settle_workers=2, read_twice=True)


@pytest.fixture
def bench(memory_path: Path) -> Iterator[Bench]:
    bench = make_bench(memory_path)
    with within(60):
        yield bench


def check(copied: Copied, bench: Bench, *, spoilt: str | None = None) -> None:
    """The promises, and that all is well but for one file."""
    check_promises(copied, files_below(bench.card))
    for number in range(len(copied.plan.places)):
        for path, state in states(copied, number).items():
            if path != spoilt:
                assert state is CopyState.VERIFIED, path
    assert not copied.stopped


# --- faults of the card: one file fails, by name, and the run goes on --------------------------------------


@dataclass(frozen=True)
class CardFault:
    """Something done to the card between the listing and the reading, or in the middle of the reading."""

    name: str
    error: type[CardError]
    before: Callable[[Path], object] | None = None  # given the file
    during: Callable[[Path], object] | None = None
    disk: Callable[[Bench], Disk] | None = None


def _same_size_and_time(file: Path, change: Callable[[bytes], bytes]) -> None:
    found = file.stat()
    file.write_bytes(change(file.read_bytes()))
    os.utime(file, ns=(found.st_atime_ns, found.st_mtime_ns))


def _append(file: Path) -> None:
    with open(file, "ab") as grown:
        grown.write(b"more")


def _replace_by(make: Callable[[Path], object]) -> Callable[[Path], None]:
    def act(file: Path) -> None:
        file.unlink()
        make(file)

    return act


CARD_FAULTS = (
    CardFault("vanishes before it is read", VanishedError, before=Path.unlink),
    CardFault("grows before it is read", SourceChangedError, before=_append),
    CardFault("shrinks before it is read", SourceChangedError, before=lambda file: os.truncate(file, 9)),
    CardFault("is touched before it is read", SourceChangedError, before=lambda file: os.utime(file)),
    CardFault("grows while it is read", SourceChangedError, during=_append),
    CardFault("shrinks while it is read", SourceChangedError, during=lambda file: os.truncate(file, 20_000)),
    CardFault("is touched while it is read", SourceChangedError, during=lambda file: os.utime(file)),
    CardFault(
        "is a link now", SourceChangedError, before=_replace_by(lambda file: file.symlink_to("/etc/hostname"))
    ),
    CardFault("is a pipe now", SourceChangedError, before=_replace_by(os.mkfifo)),
    CardFault("is a folder now", SourceChangedError, before=_replace_by(Path.mkdir)),
    CardFault(
        "fails in the middle",
        UnreadableError,
        disk=lambda b: FailNth(3, errno.EIO, calls=["read_into"], below=b.card, named="A.MOV"),
    ),
    CardFault(
        "can't be opened",
        UnreadableError,
        disk=lambda b: FailNth(1, errno.EACCES, calls=["open_source"], below=b.card, named="A.MOV"),
    ),
    CardFault(
        "gone with its reader",
        VanishedError,
        disk=lambda b: FailNth(2, errno.ENODEV, calls=["read_into"], below=b.card, named="A.MOV"),
    ),
)


@pytest.mark.parametrize("fault", CARD_FAULTS, ids=lambda fault: fault.name)
def test_a_fault_of_the_card_is_one_files_and_the_run_goes_on(bench: Bench, fault: CardFault) -> None:
    file = bench.card / BIG
    plan = plan_of(bench.card, bench.drives)
    disk: Disk | None = fault.disk(bench) if fault.disk else None
    if fault.before:
        fault.before(file)
    if fault.during:
        act = fault.during
        disk = WhenReading("A.MOV", lambda: act(file))
    copied = run_plan(plan, disk)
    check(copied, bench, spoilt=BIG)
    result = result_of(copied, BIG)
    assert isinstance(result.error, fault.error)
    assert result.error.path == BIG
    assert result.digest is None
    assert all(settled.error is result.error for settled in result.at.values())
    for drive in bench.drives:
        assert not bench.copy_at(drive, BIG).exists()
        assert not partials_below(drive)


def test_a_card_pulled_out_in_the_middle_leaves_every_file_answered_for(bench: Bench) -> None:
    disk = FailNth(9, errno.ENODEV, lasting=True, calls=CARD_CALLS, below=bench.card)
    with card_unchanged(bench.card):
        copied = offload(bench.card, bench.drives, disk)
    check_promises(copied, files_below(bench.card))
    lost = [result for result in copied.results if result.error is not None]
    assert 0 < len(lost) < len(copied.results)
    assert all(isinstance(result.error, VanishedError) for result in lost)
    assert not copied.stopped  # the drives did nothing wrong


def test_new_bytes_under_the_old_size_and_time_are_found_by_reading_again(bench: Bench) -> None:
    first = offload(bench.card, bench.drives)
    _same_size_and_time(bench.card / BIG, lambda old: bytes(reversed(old)))
    held = files_below(bench.one)
    plan = plan_of(bench.card, bench.drives, known=known_from(first), prove_again=True)
    copied = run_plan(plan)
    assert isinstance(result_of(copied, BIG).error, SourceChangedError)
    assert {state for path, state in states(copied, 0).items() if path != BIG} == {CopyState.VERIFIED}
    assert files_below(bench.one) == held  # the copies of the old bytes are not touched


def test_new_bytes_between_the_two_readings_are_caught(bench: Bench) -> None:
    file = bench.card / BIG
    # The fifth read sees the end of the file for the first time; the sixth begins the second reading.
    disk = WhenReading("A.MOV", lambda: _same_size_and_time(file, lambda old: b"x" + old[1:]), nth=7)
    copied = offload(bench.card, bench.drives, disk, TWICE)
    check(copied, bench, spoilt=BIG)
    assert isinstance(result_of(copied, BIG).error, UnreadableError)


def test_a_folder_of_the_card_that_opens_no_more(bench: Bench) -> None:
    disk = FailNth(1, errno.EIO, lasting=True, calls=["open_folder"], below=bench.card / "DCIM/101")
    copied = offload(bench.card, bench.drives, disk)
    check_promises(copied, files_below(bench.card))
    failed = {result.task.entry.path for result in copied.results if result.error is not None}
    assert failed == {"DCIM/101/C.WAV", "DCIM/101/D.WAV"}


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


def test_a_copy_that_differs_is_never_written_over(bench: Bench) -> None:
    offload(bench.card, bench.drives)
    copy = bench.copy_at(bench.one, BIG)
    _same_size_and_time(copy, lambda old: old[:-1] + b"!")
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


# --- every single call ---------------------------------------------------------------------------------


@pytest.fixture
def quick_bench(memory_path: Path) -> Iterator[Bench]:
    with within(300):
        yield make_bench(memory_path, {"D/A": 40_000, "D/E": 0, "I": 100}, folders=("P",))


@pytest.mark.parametrize("lasting", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize(
    "code", [errno.EIO, errno.ENOSPC, errno.EACCES, errno.EROFS], ids=errno.errorcode.get
)
def test_each_call_at_a_drive_fails_in_turn(quick_bench: Bench, code: int, lasting: bool) -> None:
    """The Nth call for N = 1, 2, 3 … until a run passes without meeting its fault."""
    bench, held = quick_bench, files_below(quick_bench.card)
    nth = 1
    while True:
        one = bench.one.with_name(f"one{nth}")
        two = bench.two.with_name(f"two{nth}")
        one.mkdir()
        two.mkdir()
        disk = FailNth(nth, code, lasting=lasting, calls=DRIVE_CALLS, below=one)
        copied = offload(bench.card, [one, two], disk, ONE_THREAD)
        if not disk.fired:
            assert all_verified(copied, 0)
            break
        check_promises(copied, held)
        assert all_verified(copied, 1), f"call {nth}: the other drive was not completed"
        assert copied.results and all(result.error is None for result in copied.results)
        # The fault shows: the place stopped, or it was the one call that a drive may refuse (its times).
        assert 0 in copied.stopped or all_verified(copied, 0), f"call {nth}: a fault went unnoticed"
        nth += 1
    assert nth > 40


@pytest.mark.parametrize(
    "code", [errno.EIO, errno.EACCES, errno.ENODEV, errno.ESTALE], ids=errno.errorcode.get
)
@pytest.mark.parametrize("lasting", [False, True], ids=["once", "for good"])
def test_each_call_at_the_card_fails_in_turn(quick_bench: Bench, code: int, lasting: bool) -> None:
    bench, held = quick_bench, files_below(quick_bench.card)
    nth = 1
    while True:
        one = bench.one.with_name(f"one{nth}")
        one.mkdir()
        disk = FailNth(nth, code, lasting=lasting, calls=CARD_CALLS, below=bench.card)
        copied = offload(bench.card, [one], disk, ONE_THREAD)
        check_promises(copied, held)
        assert not copied.stopped, f"call {nth}: a fault of the card stopped a drive"
        assert not partials_below(one)
        failed = sum(result.error is not None for result in copied.results)
        if not disk.fired:
            assert failed == 0
            break
        assert failed >= 1 if lasting else failed == 1, f"call {nth}"
        nth += 1
    assert nth > 15
