"""Every fault of a card, by name: one file fails, the run goes on, and nothing wrong gets a name.

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
from shared.errors import (
    CardError,
    SourceChangedError,
    UnreadableError,
    VanishedError,
)
from shared.models import CopyState
from tests.faults import (
    CARD_CALLS,
    FailNth,
    WhenReading,
    within,
)
from tests.ingest.copy_support import (
    Bench,
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


def _link_to_a_twin(file: Path) -> None:
    """To something outside the card, of the same size and time."""
    twin = file.parents[3] / "twin"
    twin.write_bytes(bytes(file.stat().st_size))
    os.utime(twin, ns=(file.stat().st_atime_ns, file.stat().st_mtime_ns))
    file.unlink()
    file.symlink_to(twin)


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
    CardFault("is a link to its twin now", SourceChangedError, before=lambda file: _link_to_a_twin(file)),
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
    # The sixth read finds the end of the file, the seventh begins the second reading.
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
