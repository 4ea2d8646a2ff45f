"""Limits that the system itself sets: a small drive, a read-only one, file sizes, two runs at once."""

from __future__ import annotations

import errno
import fcntl
import os
import resource
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from ingest.copy import Copied, CopyOptions
from ingest.durable import Disk, lock_folder
from ingest.folders import open_below
from ingest.write import remove_leftovers
from shared.errors import ConflictError, DestinationFullError, ReadOnlyError, RefusedFileError
from shared.models import CopyState
from tests.faults import Slow, handle_path, is_below, within
from tests.ingest.copy_support import (
    REEL,
    TREE,
    Bench,
    all_verified,
    check_promises,
    children,
    files_below,
    make_bench,
    make_card,
    offload,
    partials_below,
    plan_of,
    result_of,
    run_plan,
    states,
)

CONTEXT = children()


# --- drives of a few kilobytes -----------------------------------------------------------------------------


@pytest.fixture
def mount(tmp_path: Path) -> Iterator[Callable[[Path, str], None]]:
    """Mounts a file system in memory over a folder, with options such as a size."""
    mounted: list[Path] = []

    def over(folder: Path, options: str) -> None:
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            pytest.skip(f"this machine does not let tests mount: {done.stderr.strip()}")
        mounted.append(folder)

    yield over
    for folder in mounted:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return make_bench(tmp_path)


def test_a_drive_that_fills_up_stops_with_a_clear_error_and_the_other_is_completed(
    bench: Bench, mount: Callable[[Path, str], None]
) -> None:
    mount(bench.one, "size=200k")
    plan = plan_of(bench.card, bench.drives)
    (bench.one / "somebody else's").write_bytes(bytes(140_000))  # after the plan looked at the space
    copied = run_plan(plan)
    check_promises(copied, files_below(bench.card))
    error = copied.stopped[0]
    assert isinstance(error, DestinationFullError)
    assert "the drive is full" in str(error)
    assert str(bench.one) in str(error)
    assert error.remedy
    assert all_verified(copied, 1)
    assert not partials_below(bench.one)  # what did not fit is not left to fill the drive
    (bench.one / "somebody else's").unlink()
    again = offload(bench.card, bench.drives)
    assert all_verified(again, 0)


def test_a_drive_without_room_is_refused_before_the_first_byte(
    bench: Bench, mount: Callable[[Path, str], None]
) -> None:
    mount(bench.one, "size=64k")
    copied = offload(bench.card, bench.drives)
    assert copied.plan.refuses(0)
    assert isinstance(copied.plan.refusals[0].error, DestinationFullError)
    assert not any(bench.one.iterdir())
    assert all_verified(copied, 1)


def test_a_drive_out_of_names_stops(bench: Bench, mount: Callable[[Path, str], None]) -> None:
    """A file system may have bytes left and no room for another file (inodes)."""
    mount(bench.one, "size=10m,nr_inodes=9")
    copied = offload(bench.card, bench.drives)
    check_promises(copied, files_below(bench.card))
    assert isinstance(copied.stopped[0], DestinationFullError)
    assert all_verified(copied, 1)


def test_a_read_only_drive_is_told_and_the_other_is_completed(
    bench: Bench, mount: Callable[[Path, str], None]
) -> None:
    mount(bench.one, "size=10m,ro")
    copied = offload(bench.card, bench.drives)
    check_promises(copied, files_below(bench.card))
    assert isinstance(copied.stopped[0], ReadOnlyError)
    assert "Read-only file system" in str(copied.stopped[0])
    assert all_verified(copied, 1)


def test_a_drive_that_turns_read_only_in_the_middle(bench: Bench, mount: Callable[[Path, str], None]) -> None:
    """As a kernel does with a damaged file system."""
    mount(bench.one, "size=10m")

    class TurnsReadOnly(Disk):
        def create(self, name: str, *, at: int) -> int:
            if name.startswith("C.WAV") and is_below(handle_path(at), bench.one):
                command = ["mount", "-o", "remount,ro", str(bench.one)]
                # Refused as busy for the moment in which another thread publishes a file.
                while subprocess.run(command, capture_output=True, check=False).returncode != 0:
                    time.sleep(0.01)
            return super().create(name, at=at)

    with within(60):
        copied = offload(bench.card, bench.drives, TurnsReadOnly())
    check_promises(copied, files_below(bench.card))
    assert isinstance(copied.stopped[0], ReadOnlyError)
    assert all_verified(copied, 1)


def test_drives_of_their_own_count_as_two(bench: Bench, mount: Callable[[Path, str], None]) -> None:
    mount(bench.one, "size=10m")
    mount(bench.two, "size=10m")
    copied = offload(bench.card, bench.drives)
    assert not copied.plan.places[0].drives & copied.plan.places[1].drives
    assert not copied.plan.warnings


# --- a limit on the size of a file -------------------------------------------------------------------------


def _offload_with_limit(root: Path, limit: int, told: Connection) -> None:
    """In a child: the limit holds for a redirected standard output as well."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    bench = Bench(root / "card", root / "one", root / "two")
    told.send(_summary(offload(bench.card, bench.drives), bench))


def _summary(copied: Copied, bench: Bench) -> tuple[dict[str, CopyState | None], bool, str, list[str]]:
    error = result_of(copied, "DCIM/100/A.MOV").at[0].error
    assert isinstance(error, RefusedFileError)
    return states(copied, 0), bool(copied.stopped), str(error), partials_below(bench.one)


def test_a_file_too_large_for_the_system_is_refused_and_the_rest_is_copied(bench: Bench) -> None:
    ours, theirs = CONTEXT.Pipe(duplex=False)
    child = CONTEXT.Process(target=_offload_with_limit, args=(bench.card.parent, 60_000, theirs))
    child.start()
    theirs.close()
    assert ours.poll(60)
    found, stopped, error, partials = ours.recv()
    child.join(60)
    ours.close()
    assert child.exitcode == 0
    child.close()
    assert not stopped
    assert found.pop("DCIM/100/A.MOV") is None
    assert set(found.values()) == {CopyState.VERIFIED}
    assert "too large" in error
    assert not partials
    assert TREE["DCIM/100/A.MOV"] > 60_000


@pytest.mark.skipif(not os.environ.get("SOAK_LARGE"), reason="takes 5 GB: set SOAK_LARGE=1")
def test_a_file_of_more_than_four_gigabytes(memory_path: Path) -> None:
    """Nothing of it is cut at 32 bits: its size, places in it, the windows in which memory is looked at."""
    size = 2**32 + 12_345
    bench = make_bench(memory_path, {"small": 1})
    with open(bench.card / "LARGE.MOV", "wb") as file:
        file.truncate(size)
        file.seek(2**32 + 5)
        file.write(b"beyond")
    copied = offload(bench.card, [bench.one], options=CopyOptions())
    assert all_verified(copied, 0)
    with open(bench.copy_at(bench.one, "LARGE.MOV"), "rb") as copy:
        assert copy.seek(0, os.SEEK_END) == size
        copy.seek(2**32)
        assert copy.read(20) == b"\0" * 5 + b"beyond" + b"\0" * 9


# --- two runs at once --------------------------------------------------------------------------------------


class Waits(Disk):
    """The first write waits until the test says so."""

    def __init__(self, told: Connection) -> None:
        self._told: Connection | None = told

    def write(self, handle: int, view: memoryview) -> int:
        told, self._told = self._told, None
        if told is not None:
            told.send("writing")
            told.recv()
        return super().write(handle, view)


def _locked_offload(root: Path, told: Connection) -> None:
    """In a child: what the pipeline does with one place, from the lock to the copies."""
    bench = Bench(root / "card", root / "one", root / "two")
    disk = Disk()
    handle = open_below(disk, bench.one, REEL, make=True)
    try:
        with lock_folder(handle, REEL):
            place = plan_of(bench.card, [bench.one]).places[0]
            remove_leftovers(disk, place, TREE)
            copied = offload(bench.card, [bench.one], Waits(told))
            told.send("done" if all_verified(copied, 0) else "not done")
    except ConflictError as error:
        told.send(str(error))
    finally:
        os.close(handle)


class Run:
    """A child process that offloads, and what it says."""

    def __init__(self, bench: Bench) -> None:
        self._ours, theirs = CONTEXT.Pipe()
        self._child = CONTEXT.Process(target=_locked_offload, args=(bench.card.parent, theirs))
        self._child.start()
        theirs.close()

    def says(self) -> str:
        assert self._ours.poll(60), "the other process says nothing"
        return str(self._ours.recv())

    def go_on(self) -> None:
        self._ours.send("go on")

    def end(self, *, kill: bool = False) -> None:
        if kill:
            self._child.kill()
        self._child.join(60)
        assert self._child.exitcode == (-9 if kill else 0)
        self._child.close()
        self._ours.close()


def test_a_second_offload_into_the_same_folder_is_turned_away_and_spoils_nothing(bench: Bench) -> None:
    first = Run(bench)
    assert first.says() == "writing"
    second = Run(bench)
    refusal = second.says()
    assert "another run is at work there" in refusal
    assert REEL in refusal
    second.end()
    first.go_on()
    assert first.says() == "done"
    first.end()
    assert files_below(bench.one / REEL) == files_below(bench.card)


def test_a_killed_holder_leaves_no_lock(bench: Bench) -> None:
    first = Run(bench)
    assert first.says() == "writing"
    first.end(kill=True)
    assert partials_below(bench.one)
    second = Run(bench)
    assert second.says() == "writing"
    second.go_on()
    assert second.says() == "done"
    second.end()
    assert files_below(bench.one / REEL) == files_below(bench.card)


def test_two_runs_without_locks_never_mix_and_never_overwrite(bench: Bench) -> None:
    """A file system may have no locks. Then temporary names of their own and the guarded renaming keep two
    runs apart: one publishes each file, the other is refused it."""
    outcomes: list[Copied] = []
    started = threading.Barrier(2)

    def run() -> None:
        plan = plan_of(bench.card, [bench.one])
        started.wait(30)
        outcomes.append(run_plan(plan, Slow(bench.one, 2_000_000)))

    threads = [threading.Thread(target=run) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(outcomes) == 2
    for copied in outcomes:
        check_promises(copied, files_below(bench.card))
        assert not copied.stopped
    for path in TREE:
        settled = [result_of(copied, path).at[0] for copied in outcomes]
        assert sum(one.state is CopyState.VERIFIED for one in settled) >= 1
        assert all(one.state or isinstance(one.error, ConflictError) for one in settled)
    assert files_below(bench.one / REEL) == files_below(bench.card)


def test_two_cards_into_one_folder_never_overwrite_each_other(bench: Bench, tmp_path: Path) -> None:
    """The same names with other bytes: what is there first stays, and the second is told, by name."""
    other = tmp_path / "other card"
    other.mkdir()
    for path in ("INDEX.XML", "OTHER.MOV"):
        (other / path).write_bytes(b"of the other card")
    offload(bench.card, [bench.one])
    copied = offload(other, [bench.one])
    assert states(copied, 0) == {"INDEX.XML": CopyState.DIFFERS, "OTHER.MOV": CopyState.VERIFIED}
    assert bench.copy_at(bench.one, "INDEX.XML").read_bytes() == (bench.card / "INDEX.XML").read_bytes()


def test_two_cards_into_one_folder_at_once_without_locks_never_mix(bench: Bench, tmp_path: Path) -> None:
    """Each name is one card's, to the byte; the other card is refused it, by name."""
    other = make_card(tmp_path / "other card", {path: size + 1 for path, size in TREE.items()})
    outcomes: dict[Path, Copied] = {}
    started = threading.Barrier(2)

    def run(card: Path) -> None:
        plan = plan_of(card, [bench.one])
        started.wait(30)
        outcomes[card] = run_plan(plan, Slow(bench.one, 2_000_000))

    threads = [threading.Thread(target=run, args=(card,)) for card in (bench.card, other)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(outcomes) == 2
    standing = files_below(bench.one / REEL)
    assert set(standing) == set(TREE)
    for path in TREE:
        (winner,) = [card for card in outcomes if (card / path).read_bytes() == standing[path]]
        for card, copied in outcomes.items():
            settled = result_of(copied, path).at[0]
            assert (settled.state is CopyState.VERIFIED) == (card is winner)
            assert card is winner or isinstance(settled.error, ConflictError)


def test_a_lock_is_told_apart_from_a_drive_that_has_none(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_locks(_handle: int, _operation: int) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    handle = open_below(Disk(), bench.one, "", make=False)
    try:
        monkeypatch.setattr(fcntl, "flock", no_locks)
        with lock_folder(handle, "shown"):
            pass  # goes on without
        monkeypatch.undo()
        with lock_folder(handle, "shown"):
            again = open_below(Disk(), bench.one, "", make=False)
            try:
                with pytest.raises(ConflictError, match="another run"), lock_folder(again, "shown"):
                    pass
            finally:
                os.close(again)
    finally:
        os.close(handle)
