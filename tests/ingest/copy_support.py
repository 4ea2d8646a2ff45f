"""What the tests of the copy engine share: cards, drives, a whole run, and the promises it is held to."""

from __future__ import annotations

import multiprocessing
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.context import ForkServerContext
from pathlib import Path

from ingest.card import read_card
from ingest.copy import Copied, CopyOptions, FileResult, copy
from ingest.durable import Disk
from ingest.hashes import make_hasher
from ingest.plan import KnownCopy, KnownFile, Plan, make_plan, open_places
from ingest.progress import Counters
from shared.models import CopyState

REEL = "film/2026-05-01/A001"
SMALL = CopyOptions(buffers=3, buffer_bytes=16 * 1024, settle_workers=2)
PARTIAL = re.compile(r"\.[0-9a-f]{8}\.partial$")
FULL_BUFFER = 16 * 1024

# A small card: an empty file, a single byte, one buffer exactly, several buffers, two folders, one empty.
TREE: Mapping[str, int] = {
    "DCIM/100/A.MOV": 70_001,
    "DCIM/100/B.MOV": FULL_BUFFER,
    "DCIM/100/EMPTY.TXT": 0,
    "DCIM/101/C.WAV": 1,
    "DCIM/101/D.WAV": 5_000,
    "INDEX.XML": 300,
}


def content(path: str, size: int) -> bytes:
    """Bytes that tell each file and each place in it apart."""
    seed = make_hasher("sha1")
    seed.update(path.encode("utf-8", "surrogateescape"))
    block = bytes.fromhex(seed.hexdigest()) * 205  # no power of two, so that shifted buffers show
    return (block * (size // len(block) + 1))[:size]


def make_card(
    root: Path, tree: Mapping[str, int] = TREE, folders: Sequence[str] = ("PRIVATE/EMPTY",)
) -> Path:
    """A card whose files are older than the tests, with access times that any plain read would change."""
    root.mkdir(parents=True)
    for number, (path, size) in enumerate(tree.items()):
        file = root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content(path, size))
        stamp = 1_777_622_400_123_456_789 + number * 1_000_000_000
        os.utime(file, ns=(stamp - 10**15, stamp))
    for folder in folders:
        (root / folder).mkdir(parents=True)
    for folder, _, _ in os.walk(root):
        os.utime(folder, ns=(10**18, 10**18 + 10**15))
    return root


@dataclass(frozen=True)
class Bench:
    """A card and two drives below one temporary folder."""

    card: Path
    one: Path
    two: Path

    @property
    def drives(self) -> tuple[Path, Path]:
        return self.one, self.two

    def copy_at(self, drive: Path, path: str) -> Path:
        return drive / REEL / path


def make_bench(
    root: Path, tree: Mapping[str, int] = TREE, folders: Sequence[str] = ("PRIVATE/EMPTY",)
) -> Bench:
    bench = Bench(make_card(root / "card", tree, folders), root / "one", root / "two")
    for drive in bench.drives:
        drive.mkdir()
    return bench


def plan_of(
    card: Path,
    drives: Sequence[Path],
    *,
    known: Mapping[str, KnownFile] | None = None,
    prove_again: bool = False,
) -> Plan:
    disk = Disk()
    listing = read_card(card, disk)
    places, _ = open_places(listing, drives, REEL, disk)
    return make_plan(listing, places, lambda _: known or {}, disk, margin_percent=0, prove_again=prove_again)


def run_plan(plan: Plan, disk: Disk | None = None, options: CopyOptions = SMALL) -> Copied:
    return copy(plan, disk or Disk(), options, counters=Counters.for_places(len(plan.places)))


def offload(
    card: Path, drives: Sequence[Path], disk: Disk | None = None, options: CopyOptions = SMALL
) -> Copied:
    """List, plan and copy. The faults of `disk` meet the copying alone."""
    return run_plan(plan_of(card, drives), disk, options)


def known_from(copied: Copied) -> dict[str, KnownFile]:
    """What a catalogue would remember of a run."""
    return {
        result.task.entry.path: KnownFile(
            result.task.entry.size,
            result.task.entry.mtime_ns,
            result.digest,
            {
                copied.plan.places[number].root: KnownCopy(result.task.entry.size, settled.mtime_ns)
                for number, settled in result.at.items()
                if settled.state is CopyState.VERIFIED
            },
        )
        for result in copied.results
    }


def result_of(copied: Copied, path: str) -> FileResult:
    return next(result for result in copied.results if result.task.entry.path == path)


def states(copied: Copied, place: int) -> dict[str, CopyState | None]:
    """The state of every file at a place, as the run tells it."""
    return {
        result.task.entry.path: result.at[place].state if place in result.at else None
        for result in copied.results
    }


def all_verified(copied: Copied, place: int) -> bool:
    return all(state is CopyState.VERIFIED for state in states(copied, place).values())


def children() -> ForkServerContext:
    """Makes child processes, forked from one that has the modules below loaded already."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["ingest.pipeline", "tests.ingest.test_kill", "tests.ingest.test_limits"])
    return context


# --- trees ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Snapshot:
    """A tree to the last detail: the whole of stat but for the counters of the run itself."""

    stats: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    bytes: Mapping[str, bytes] = field(default_factory=dict)


def snapshot(root: Path) -> Snapshot:
    """Every entry with all it says (times included) and every byte, read without leaving a trace."""
    stats: dict[str, tuple[int, ...]] = {}
    contents: dict[str, bytes] = {}
    for path in (root, *_below(root)):
        found = path.lstat()
        name = str(path.relative_to(root))
        stats[name] = (
            found.st_mode,
            found.st_ino,
            found.st_nlink,
            found.st_uid,
            found.st_gid,
            found.st_size,
            found.st_atime_ns,
            found.st_mtime_ns,
            found.st_ctime_ns,
        )
        if path.is_symlink():
            contents[name] = os.fsencode(path.readlink())
        elif path.is_file():
            contents[name] = _quiet_bytes(path)
    return Snapshot(stats, contents)


def _below(folder: Path) -> Iterator[Path]:
    handle = os.open(folder, os.O_RDONLY | os.O_NOATIME)
    try:
        with os.scandir(handle) as entries:
            found = sorted((entry.name, entry.is_dir(follow_symlinks=False)) for entry in entries)
    finally:
        os.close(handle)
    for name, is_folder in found:
        yield folder / name
        if is_folder:
            yield from _below(folder / name)


def _quiet_bytes(path: Path) -> bytes:
    with open(os.open(path, os.O_RDONLY | os.O_NOATIME), "rb") as file:
        return file.read()


def files_below(root: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(root)): path.read_bytes()
        for path in sorted(root.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }


def partials_below(root: Path) -> list[str]:
    return [str(path) for path in root.rglob("*") if PARTIAL.search(path.name)]


@contextmanager
def card_unchanged(card: Path) -> Iterator[None]:
    before = snapshot(card)
    yield
    after = snapshot(card)
    assert after.bytes == before.bytes
    assert after.stats == before.stats


# --- the promises of a run -----------------------------------------------------------------------------


def check_promises(copied: Copied, card_bytes: Mapping[str, bytes]) -> None:
    """What holds after any run, whatever went wrong in it. `card_bytes`: what the card held."""
    for number, place in enumerate(copied.plan.places):
        under_final_names(place.reel_root, card_bytes)
        refused = {refusal.path for refusal in copied.plan.refusals if refusal.place == number}
        for result in copied.results:
            entry = result.task.entry
            if number not in (*result.task.write, *result.task.prove):
                assert number in result.task.kept or refused & {None, entry.path}, "unaccounted for"
                continue
            settled = result.at[number]  # every file is answered for, at every place that was to have it
            if settled.state is not CopyState.VERIFIED:
                assert settled.error is not None, f"{entry.path}: not verified, and no reason"
                continue
            final = place.reel_root / entry.path
            assert final.read_bytes() == card_bytes[entry.path]
            assert final.stat().st_mtime_ns == settled.mtime_ns
            assert result.digest is not None


def under_final_names(reel_root: Path, card_bytes: Mapping[str, bytes]) -> None:
    """Whatever stands under a final name is, to the byte, what the card held."""
    for path, found in files_below(reel_root).items():
        if not PARTIAL.search(path):
            assert path in card_bytes, f"{path} was never on the card"
            assert found == card_bytes[path], f"{path} stands under its final name with other bytes"
