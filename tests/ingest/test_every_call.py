"""Every single call at a drive or a card, failing in turn, once or for good.

After each run: the card is as it was, whatever has a final name is the card's file to the byte, and every
file is answered for at every place (`check_promises`).
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.copy import CopyOptions
from tests.faults import (
    CARD_CALLS,
    DRIVE_CALLS,
    FailNth,
    within,
)
from tests.ingest.copy_support import (
    Bench,
    all_verified,
    check_promises,
    files_below,
    make_bench,
    offload,
    partials_below,
)

ONE_THREAD = CopyOptions(buffers=2, buffer_bytes=16 * 1024, settle_workers=1)


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
