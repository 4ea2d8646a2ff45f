"""The copy engine when nothing goes wrong: whole trees, odd sizes, order of the steps, bounded memory."""

from __future__ import annotations

import os
import resource
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.copy import CopyOptions, copy
from ingest.durable import Disk
from ingest.hashes import ALGORITHMS
from ingest.progress import Counters
from ingest.settle import BATCH_FILES, BATCH_FOLDERS, FEW
from ingest.write import partial_name, remove_leftovers
from shared.errors import UsageError
from shared.models import CopyState
from tests.faults import FlipOnRead, Logged, NoDirectReads, RefusesDirectReads, ShortReads, ShortWrites, Slow
from tests.ingest.copy_support import (
    FULL_BUFFER,
    PARTIAL,
    REEL,
    SMALL,
    TREE,
    Bench,
    all_verified,
    card_unchanged,
    check_promises,
    content,
    files_below,
    known_from,
    make_bench,
    make_card,
    offload,
    partials_below,
    plan_of,
    run_plan,
    states,
)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return make_bench(tmp_path)


def test_every_copy_is_the_card_to_the_byte_with_its_times_and_its_empty_folders(bench: Bench) -> None:
    with card_unchanged(bench.card):
        copied = offload(bench.card, bench.drives)
    assert not copied.stopped
    for number, drive in enumerate(bench.drives):
        assert all_verified(copied, number)
        assert files_below(drive / REEL) == files_below(bench.card)
        for path in TREE:
            assert (drive / REEL / path).stat().st_mtime_ns == (bench.card / path).stat().st_mtime_ns
        assert (drive / REEL / "PRIVATE/EMPTY").is_dir()
        assert not partials_below(drive)
    check_promises(copied, files_below(bench.card))


@pytest.mark.parametrize(
    "size",
    [0, 1, 4095, 4096, 4097, FULL_BUFFER - 1, FULL_BUFFER, FULL_BUFFER + 1, 3 * FULL_BUFFER, 9 * FULL_BUFFER],
)
def test_sizes_around_a_block_and_a_buffer(tmp_path: Path, size: int) -> None:
    bench = make_bench(tmp_path, {"before": 10, "file": size, "next": 10})
    copied = offload(bench.card, bench.drives)
    check_promises(copied, files_below(bench.card))
    assert all_verified(copied, 0)
    assert all_verified(copied, 1)


@pytest.mark.parametrize("disk", [ShortReads(), ShortWrites(), ShortReads(61), ShortWrites(1)])
def test_short_reads_and_writes_lose_nothing(bench: Bench, disk: Disk) -> None:
    copied = offload(bench.card, bench.drives, disk)
    check_promises(copied, files_below(bench.card))
    assert all_verified(copied, 0)
    assert all_verified(copied, 1)


@pytest.mark.parametrize("algorithm", ALGORITHMS)
def test_every_algorithm(bench: Bench, algorithm: str) -> None:
    copied = offload(bench.card, bench.drives, options=CopyOptions(algorithm, 3, FULL_BUFFER, 2))
    assert all_verified(copied, 0)
    assert copied.algorithm == algorithm


def test_an_unknown_algorithm_is_refused_before_anything_is_written(bench: Bench) -> None:
    with pytest.raises(UsageError, match="xxh128"):
        offload(bench.card, bench.drives, options=CopyOptions("crc"))
    assert not files_below(bench.one)


def test_one_drive_and_five_drives(tmp_path: Path) -> None:
    card = make_card(tmp_path / "card")
    drives = [tmp_path / f"drive{n}" for n in range(5)]
    for drive in drives:
        drive.mkdir()
    assert all_verified(offload(card, drives[:1]), 0)
    copied = offload(card, drives[1:])
    assert all(all_verified(copied, number) for number in range(4))


def test_the_card_is_read_once_for_all_drives(bench: Bench) -> None:
    copied = offload(bench.card, bench.drives)
    total = sum(TREE.values())
    assert copied.bytes_read == total
    assert copied.bytes_written == 2 * total


def test_more_files_than_a_batch_in_more_folders_than_a_batch(tmp_path: Path) -> None:
    tree = {f"F{n % 40:02}/{n:04}.XML": n % 7 for n in range(2 * BATCH_FILES + 3)}
    bench = make_bench(tmp_path, tree)
    copied = offload(bench.card, bench.drives)
    check_promises(copied, files_below(bench.card))
    assert all_verified(copied, 0)
    assert all_verified(copied, 1)


@pytest.fixture
def few_handles() -> Iterator[int]:
    """A process that may have few files open at once."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    limit = len(list(Path("/proc/self/fd").iterdir())) + 2 * SMALL.settle_workers * (BATCH_FOLDERS + 4) + 20
    resource.setrlimit(resource.RLIMIT_NOFILE, (limit, hard))
    yield limit
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_a_folder_for_every_file_needs_few_handles(tmp_path: Path, few_handles: int) -> None:
    bench = make_bench(tmp_path, {f"CLIP{n:03}/{n}.MXF": 10 for n in range(250)})
    copied = offload(bench.card, bench.drives)
    assert not copied.stopped
    assert all_verified(copied, 0)


def test_names_of_255_bytes_that_begin_alike(tmp_path: Path) -> None:
    long = "ü" * 125  # 250 bytes
    bench = make_bench(tmp_path, {f"{long}a.MOV": 10, f"{long}b.MOV": 20, "x" * 255: 30})
    assert {len(os.fsencode(path.name)) for path in bench.card.iterdir() if path.is_file()} == {255}
    copied = offload(bench.card, bench.drives)
    assert all_verified(copied, 0)
    check_promises(copied, files_below(bench.card))


@pytest.mark.parametrize("name", ["a", "x" * 255, "ü" * 127, "🎬" * 63, os.fsdecode(b"\xff" * 255)])
def test_a_temporary_name_fits_and_cuts_no_character(name: str) -> None:
    temporary = partial_name(name, "0123abcd")
    assert PARTIAL.search(temporary)
    assert len(os.fsencode(temporary)) <= 255
    if len(name) < 255 or name.isascii():
        temporary.encode()  # some file systems refuse a name that is no UTF-8
    assert partial_name(name, "0123abcd") != partial_name(name[:-1] + "y", "0123abcd")


# --- the order of the steps ------------------------------------------------------------------------------


class _Steps(Logged):
    """The log of one batch, and how much was called verified when a folder was about to be synced."""

    def __init__(self, counters: Counters, folder: str) -> None:
        super().__init__()
        self._counters, self._folder = counters, folder
        self.too_early = 0

    def before(self, call: str, path: str) -> None:
        if (call, path) == ("sync_folder", self._folder):
            self.too_early += self._counters.verified[0]


@pytest.mark.parametrize("files", [FEW, FEW + 1, 40])
def test_no_final_name_before_the_proof_and_no_success_before_the_folder_is_synced(
    tmp_path: Path, files: int
) -> None:
    """Few files are synced one by one, more of them at once; the order is the same."""
    bench = make_bench(tmp_path, {f"C{n:02}": 5000 for n in range(files)}, folders=())
    counters, folder = Counters.for_places(1), str(bench.one / REEL)
    disk = _Steps(counters, folder)
    copied = copy(plan_of(bench.card, [bench.one]), disk, SMALL, counters=counters)
    assert all_verified(copied, 0)
    assert counters.verified[0] == 5000 * files
    assert disk.too_early == 0
    steps = {step: number for number, step in enumerate(disk.log)}  # the last of each
    for number in range(files):
        partial = next(path for call, path in steps if call == "create" and f"/C{number:02}." in path)
        synced = steps["sync", partial] if files <= FEW else max(_all(disk.log, "sync_all"))
        in_order = [
            steps["write", partial],
            steps["set_mtime", partial],
            synced,
            steps["drop_cache", partial],
            disk.log.index(("read_into", partial)),
            steps["publish", partial],
            steps["sync_folder", folder],
        ]
        assert in_order == sorted(in_order)
        assert steps["read_into", partial] < steps["publish", partial]


def _all(log: list[tuple[str, str]], call: str) -> list[int]:
    return [number for number, (name, _) in enumerate(log) if name == call]


def test_the_folders_above_are_synced_even_where_a_broken_run_made_them(bench: Bench) -> None:
    (bench.one / REEL / "DCIM" / "100").mkdir(parents=True)
    disk = Logged()
    offload(bench.card, [bench.one], disk)
    synced = {path for call, path in disk.log if call == "sync_folder"}
    above = [bench.one, *(bench.one / part for part in ("film", "film/2026-05-01", REEL, f"{REEL}/DCIM"))]
    assert {str(path) for path in above} <= synced


# --- the medium, not the cache -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("disk", "from_medium"),
    [
        (NoDirectReads(resident=False), True),
        (NoDirectReads(resident=True), False),
        (NoDirectReads(resident=None), False),
        (RefusesDirectReads(), False),
    ],
)
def test_whether_the_medium_was_asked_is_told_as_it_is(bench: Bench, disk: Disk, from_medium: bool) -> None:
    copied = offload(bench.card, bench.drives, disk)
    assert all_verified(copied, 0)
    assert copied.from_medium == {0: from_medium, 1: from_medium}


def test_pages_of_a_dropped_file_are_seen_to_have_left_memory(tmp_path: Path) -> None:
    disk = Disk()
    path = tmp_path / "file"
    path.write_bytes(content("file", 3_000_000))
    handle = os.open(path, os.O_RDONLY)
    try:
        assert disk.resident(handle, 3_000_000) is True
        disk.sync(handle)
        disk.drop_cache(handle)
        if disk.resident(handle, 3_000_000):
            pytest.skip("the file system under the tests keeps its files in memory")
        os.pread(handle, 1, 2_000_000)
        assert disk.resident(handle, 3_000_000) is True
        assert disk.resident(handle, 0) is None
    finally:
        os.close(handle)


# --- read twice ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("twice", [False, True])
def test_two_readings_that_differ_are_caught_on_request_only(bench: Bench, twice: bool) -> None:
    """Without `read_twice` a bit that the reader gets wrong is copied as it came: nothing can show it."""
    disk = FlipOnRead("A.MOV", bench.card)
    copied = offload(
        bench.card, bench.drives, disk, CopyOptions("xxh128", 3, FULL_BUFFER, 2, read_twice=twice)
    )
    assert disk.flipped == 1
    for number, drive in enumerate(bench.drives):
        state = states(copied, number)["DCIM/100/A.MOV"]
        assert state is (None if twice else CopyState.VERIFIED)
        assert bench.copy_at(drive, "DCIM/100/A.MOV").exists() is not twice
        others = {path: s for path, s in states(copied, number).items() if path != "DCIM/100/A.MOV"}
        assert set(others.values()) == {CopyState.VERIFIED}
        assert not partials_below(drive)


def test_two_readings_that_agree(bench: Bench) -> None:
    copied = offload(
        bench.card, bench.drives, options=CopyOptions("xxh128", 3, FULL_BUFFER, 2, read_twice=True)
    )
    assert all_verified(copied, 0)
    assert copied.bytes_read == sum(TREE.values())


# --- a second run ----------------------------------------------------------------------------------------


def test_a_second_run_keeps_what_is_proven_without_reading_it(bench: Bench) -> None:
    first = offload(bench.card, bench.drives)
    bench.copy_at(bench.two, "INDEX.XML").unlink()
    disk = Logged()
    again = run_plan(plan_of(bench.card, bench.drives, known=known_from(first)), disk)
    assert again.bytes_read == TREE["INDEX.XML"]
    assert again.bytes_written == TREE["INDEX.XML"]
    assert disk.names("open_source") == ["INDEX.XML"]
    assert bench.copy_at(bench.two, "INDEX.XML").read_bytes() == (bench.card / "INDEX.XML").read_bytes()


def test_a_card_that_came_back_is_proven_again_and_nothing_is_written(bench: Bench) -> None:
    first = offload(bench.card, bench.drives)
    again = run_plan(plan_of(bench.card, bench.drives, known=known_from(first), prove_again=True))
    assert again.bytes_read == sum(TREE.values())
    assert again.bytes_written == 0
    assert all_verified(again, 0)
    assert all_verified(again, 1)


def test_what_a_broken_run_left_is_removed_and_nothing_else(bench: Bench) -> None:
    reel = bench.one / REEL / "DCIM"
    reel.mkdir(parents=True)
    for name in ("A.MOV.0123abcd.partial", "B.MOV.partial", "C.MOV", "own.89abcdef.partial"):
        (reel / name).write_bytes(b"x")
    place = plan_of(bench.card, [bench.one]).places[0]
    assert remove_leftovers(Disk(), place, {"DCIM/own.89abcdef.partial"}) == ["DCIM/A.MOV.0123abcd.partial"]
    assert sorted(path.name for path in reel.iterdir()) == ["B.MOV.partial", "C.MOV", "own.89abcdef.partial"]


# --- memory ----------------------------------------------------------------------------------------------


def _resident_kib() -> int:
    """Memory of this process that no file backs: its heap, and shared memory such as the ring."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith(("RssAnon:", "RssShmem:")))


class _Weighed(Disk):
    """Looks at the process's memory at every read of the card and every write."""

    def __init__(self) -> None:
        self.most = 0

    def read_into(self, handle: int, view: memoryview) -> int:
        self.most = max(self.most, _resident_kib())
        return super().read_into(handle, view)


def test_memory_is_bounded_by_the_ring_whatever_the_size(tmp_path: Path) -> None:
    bench = make_bench(tmp_path, {"small": 10})
    with open(bench.card / "large", "wb") as file:
        file.truncate(150 * 1024 * 1024)
    options = CopyOptions(buffers=4, buffer_bytes=1024 * 1024, settle_workers=2)
    disk, before = _Weighed(), _resident_kib()
    copied = offload(bench.card, [bench.one], disk, options)
    assert all_verified(copied, 0)
    ring_and_settlers = 4 * 1024 + 2 * 2 * 1024
    assert disk.most - before < ring_and_settlers + 8 * 1024  # KiB; threads and lists beside the buffers


def test_a_slow_drive_never_holds_more_than_the_ring_and_keeps_nobody_else(tmp_path: Path) -> None:
    bench = make_bench(tmp_path, {"large": 3_000_000})
    options = CopyOptions(buffers=3, buffer_bytes=64 * 1024, settle_workers=1)
    plan = plan_of(bench.card, bench.drives)
    counters = Counters.for_places(2)
    ahead: list[int] = []
    disk = Slow(bench.two, 10_000_000, lambda: ahead.append(counters.read - counters.written[1]))
    copied = copy(plan, disk, options, counters=counters)
    assert all_verified(copied, 0)
    assert all_verified(copied, 1)
    assert max(ahead) <= 3 * 64 * 1024
    assert max(ahead) > 64 * 1024  # the ring was in use, so the bound was put to the test
