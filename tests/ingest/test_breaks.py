"""Runs that break off: a bug, an interruption, a failing catalogue. All end, loudly, and leave no thread."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest import copy as copy_module
from ingest.copy import FileResult, copy
from ingest.durable import Disk
from ingest.hashes import Hasher, make_hasher
from ingest.progress import Counters
from ingest.settle import BATCH_FOLDERS, Settled, Settler
from tests.faults import Breaks, Slow, within
from tests.ingest.copy_support import (
    REEL,
    SMALL,
    Bench,
    all_verified,
    files_below,
    make_bench,
    make_card,
    offload,
    plan_of,
    under_final_names,
)


@pytest.fixture
def bench(memory_path: Path) -> Iterator[Bench]:
    bench = make_bench(memory_path, {f"D{n % 3}/{n:02}": 20_000 for n in range(30)})
    before = set(threading.enumerate())
    with within(60):
        yield bench
    assert set(threading.enumerate()) == before, "a thread outlived its run"


def check_broken(bench: Bench) -> None:
    """What stands is right, nothing is added once the run has ended, and the next run completes it."""
    for drive in bench.drives:
        under_final_names(drive / REEL, files_below(bench.card))
    again = offload(bench.card, bench.drives)
    assert all_verified(again, 0)
    assert all_verified(again, 1)


@pytest.mark.parametrize(
    ("call", "at"),
    [
        ("read_into", "card"),
        ("size_and_times", "card"),
        ("create", "one"),
        ("write", "one"),
        ("close", "one"),
        ("open_copy", "one"),
        ("drop_cache", "one"),
        ("read_into", "one"),
        ("publish", "one"),
        ("sync_folder", "one"),
        ("make_folder", "one"),
    ],
)
def test_a_bug_in_any_thread_ends_the_run_with_its_own_error(bench: Bench, call: str, at: str) -> None:
    where = bench.card if at == "card" else bench.one
    with pytest.raises(RuntimeError, match=f"planted in {call}"):
        offload(bench.card, bench.drives, Breaks(call, where))
    check_broken(bench)


def test_a_bug_in_the_hasher_keeps_nobody_waiting_for_a_digest(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, memory_path: Path
) -> None:
    # All in one buffer, and folders enough for a batch to be handed over and waited for before the end.
    many = {f"D{n:02}/{n}": 10 for n in range(3 * BATCH_FOLDERS)}
    plan = plan_of(make_card(memory_path / "many", many), bench.drives)
    made = 0

    def breaking(algorithm: str) -> Hasher:
        nonlocal made
        made += 1
        if made == BATCH_FOLDERS // 2:
            raise MemoryError("planted")
        return real(algorithm)

    real = make_hasher
    monkeypatch.setattr("ingest.copy.make_hasher", breaking)
    with pytest.raises(MemoryError, match="planted"):
        copy(plan, Disk(), SMALL, counters=Counters.for_places(2))
    monkeypatch.undo()
    again = offload(memory_path / "many", bench.drives)
    assert all_verified(again, 0)


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError, SystemExit])
def test_an_interruption_ends_the_run_and_nothing_is_published_after_it(
    bench: Bench, error: type[BaseException]
) -> None:
    def interrupt() -> None:
        raise error("planted")

    plan = plan_of(bench.card, bench.drives)
    with pytest.raises(error, match="planted"):
        copy(plan, Slow(bench.one, 400_000), SMALL, counters=Counters.for_places(2), on_tick=interrupt)
    standing = files_below(bench.one)
    assert len(standing) < 30
    assert files_below(bench.one) == standing
    check_broken(bench)


@pytest.mark.parametrize("untaken", [1, copy_module.UNTAKEN])
def test_a_catalogue_that_fails_ends_the_run(
    bench: Bench, untaken: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copy_module, "UNTAKEN", untaken)

    def fail(_result: FileResult, _settled: Settled) -> None:
        raise RuntimeError("database is locked")

    with pytest.raises(RuntimeError, match="locked"):
        copy(
            plan_of(bench.card, bench.drives),
            Disk(),
            SMALL,
            counters=Counters.for_places(2),
            on_settled=fail,
        )
    check_broken(bench)


def test_answers_wait_for_a_slow_catalogue_and_never_pile_up(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[Settled] = []
    ahead: list[int] = []

    class Counting(Settler):
        def __init__(self, *given: Any) -> None:
            super().__init__(*given)
            report = self._report

            def count(settled: Settled) -> None:
                report(settled)
                told.append(settled)

            self._report = count

    def take_slowly(_result: FileResult, _settled: Settled) -> None:
        time.sleep(0.01)
        ahead.append(len(told) - len(ahead))

    monkeypatch.setattr(copy_module, "UNTAKEN", 4)
    monkeypatch.setattr(copy_module, "Settler", Counting)
    plan = plan_of(bench.card, bench.drives)
    copied = copy(plan, Disk(), SMALL, counters=Counters.for_places(2), on_settled=take_slowly)
    assert all_verified(copied, 0)
    assert all_verified(copied, 1)
    assert len(ahead) == 60
    assert max(ahead) <= 5  # those that wait, and the one that is being taken


def test_ticks_come_while_results_stream_in(bench: Bench) -> None:
    """They carry a person's wish to stop; many small files must not drown them."""
    ticks: list[int] = []
    settled: list[int] = []

    def count(_result: FileResult, _settled: Settled) -> None:
        settled.append(len(ticks))

    plan = plan_of(bench.card, bench.drives)
    copy(
        plan,
        Slow(bench.one, 400_000),
        SMALL,
        counters=Counters.for_places(2),
        on_settled=count,
        on_tick=lambda: ticks.append(1),
    )
    assert len(settled) == 60
    assert len(ticks) >= 3


def test_no_result_is_told_before_the_digest_it_was_compared_with(bench: Bench) -> None:
    seen: list[str | None] = []
    copy(
        plan_of(bench.card, bench.drives),
        Disk(),
        SMALL,
        counters=Counters.for_places(2),
        on_settled=lambda result, settled: seen.append(result.digest if settled.state else "-"),
    )
    assert len(seen) == 60
    assert None not in seen
