"""May this card be formatted? Named cases, then random histories: never a wrong yes."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from ingest.card import Listing, read_card
from ingest.durable import Disk
from ingest.orders import Verdict
from ingest.verdict import judge, judge_card
from shared.catalogue.reels import RecordedCopy, RecordedFile
from shared.db import Sessions, make_engine, make_sessions
from shared.models import CopyState
from tests.faults import handle_path, is_below
from tests.ingest.copy_support import REEL, TREE, Bench, make_bench, offload
from tests.ingest.histories import World

HISTORIES = int(os.environ.get("SOAK_HISTORIES", "200"))
SHARDS = 5
EVENTS = 7


class OnDrives(Disk):
    """Each folder is on the drives that a test says; the card is on its own."""

    def __init__(self, bench: Bench, one: set[str], two: set[str], card: set[str] | None = None) -> None:
        self._under = {bench.card: card or {"card"}, bench.one: one, bench.two: two}

    def drives(self, handle: int) -> frozenset[str]:
        path = handle_path(handle)
        return frozenset(next(drives for root, drives in self._under.items() if is_below(path, root)))


class Case:
    """An offloaded card, with what a catalogue would hold of it."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.disk: Disk = OnDrives(bench, {"sda"}, {"sdb"})
        copied = offload(bench.card, bench.drives)
        self.recorded = {
            result.task.entry.raw: RecordedFile(
                number,
                result.task.entry.raw,
                result.task.entry.size,
                result.task.entry.mtime_ns,
                result.digest,
                None,
                [
                    RecordedCopy(str(place.root), CopyState.VERIFIED, result.at[n].mtime_ns)
                    for n, place in enumerate(copied.plan.places)
                ],
            )
            for number, result in enumerate(copied.results)
        }

    def verdict(self) -> Verdict:
        return judge(read_card(self.bench.card, self.disk), lambda _: self.recorded, REEL, self.disk)

    def reason(self) -> str:
        """The one reason of a no."""
        verdict = self.verdict()
        assert not verdict.may_be_formatted
        assert len(verdict.reasons) == 1
        return verdict.reasons[0]

    def change_record(self, path: str, **values: object) -> None:
        record = self.recorded[path.encode()]
        self.recorded[path.encode()] = replace(record, **values)  # type: ignore[arg-type]

    def change_copy(self, path: str, number: int, **values: object) -> None:
        copies = self.recorded[path.encode()].copies
        copies[number] = replace(copies[number], **values)  # type: ignore[arg-type]


@pytest.fixture
def case(memory_path: Path) -> Case:
    return Case(make_bench(memory_path))


PATH = "DCIM/100/B.MOV"


def test_yes_when_every_file_has_two_proven_copies_on_two_drives(case: Case) -> None:
    assert case.verdict() == Verdict(True, ())


def test_no_for_what_is_on_the_card_and_not_in_the_copies(case: Case) -> None:
    (case.bench.card / "NEW.MOV").write_bytes(b"new")
    assert case.reason() == "1 file on the card that no offload has copied: NEW.MOV"


def test_files_that_are_gone_from_the_card_do_not_matter(case: Case) -> None:
    (case.bench.card / PATH).unlink()
    assert case.verdict().may_be_formatted


@pytest.mark.parametrize("later", [1, 1_000_000_000, -1, 10**12])
def test_no_for_a_file_whose_time_has_moved_at_all(case: Case, later: int) -> None:
    stamp = (case.bench.card / PATH).stat().st_mtime_ns
    os.utime(case.bench.card / PATH, ns=(stamp + later, stamp + later))
    assert "changed on the card since the offload" in case.reason()


def test_no_for_a_file_that_grew(case: Case) -> None:
    stamp = (case.bench.card / PATH).stat().st_mtime_ns
    with open(case.bench.card / PATH, "ab") as file:
        file.write(b"x")
    os.utime(case.bench.card / PATH, ns=(stamp, stamp))
    assert "changed on the card" in case.reason()


def test_no_for_what_was_never_read_whole_or_has_a_problem(case: Case) -> None:
    case.change_record(PATH, digest=None)
    assert "that no offload has read whole" in case.reason()
    case.change_record(PATH, digest="00", problem="two readings of it differ")
    assert "two readings of it differ" in case.reason()


@pytest.mark.parametrize("state", [CopyState.WRITTEN, CopyState.DIFFERS, CopyState.MISSING])
def test_no_for_a_copy_that_is_not_verified(case: Case, state: CopyState) -> None:
    case.change_copy(PATH, 1, state=state)
    assert case.reason() == f"1 file with one verified copy; 2 are needed: {PATH}"


def test_no_with_one_copy_or_none(case: Case) -> None:
    for record in case.recorded.values():
        record.copies.pop()
    assert "6 files with one verified copy" in case.reason()
    for record in case.recorded.values():
        record.copies.pop()
    assert "6 files with no verified copy" in case.reason()


def test_no_when_a_drive_is_unplugged(case: Case) -> None:
    case.bench.two.rename(case.bench.two.with_name("in the drawer"))
    assert "one verified copy that can be seen now" in case.reason()


def _gone(path: Path) -> None:
    path.unlink()


def _touched(path: Path) -> None:
    os.utime(path)


def _shortened(path: Path) -> None:
    stamp = path.stat().st_mtime_ns
    os.truncate(path, path.stat().st_size - 1)
    os.utime(path, ns=(stamp, stamp))


def _linked(path: Path) -> None:
    stamp = path.stat().st_mtime_ns
    path.unlink()
    path.symlink_to("x" * TREE[PATH] if TREE[PATH] < 4000 else "elsewhere")
    os.utime(path, ns=(stamp, stamp), follow_symlinks=False)


def _a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize("spoil", [_gone, _touched, _shortened, _linked, _a_folder])
def test_no_for_a_copy_that_is_not_as_it_was_proven(case: Case, spoil: object) -> None:
    assert callable(spoil)
    spoil(case.bench.copy_at(case.bench.one, PATH))
    assert "that can be seen now" in case.reason()
    assert PATH in case.reason()


def test_a_link_of_the_same_size_and_time_is_no_copy(memory_path: Path) -> None:
    """The length of what a link points to is its size."""
    case = Case(make_bench(memory_path, {"short": 9}))
    _linked_to = case.bench.copy_at(case.bench.one, "short")
    stamp = _linked_to.stat().st_mtime_ns
    _linked_to.unlink()
    _linked_to.symlink_to("nine-long")
    os.utime(_linked_to, ns=(stamp, stamp), follow_symlinks=False)
    assert _linked_to.lstat().st_size == 9
    assert _linked_to.lstat().st_mtime_ns == stamp
    assert not case.verdict().may_be_formatted


@pytest.mark.parametrize(
    ("one", "two", "card", "yes"),
    [
        ({"sda"}, {"sdb"}, {"card"}, True),
        ({"sda"}, {"sda"}, {"card"}, False),
        ({"sda", "sdb"}, {"sdb", "sdc"}, {"card"}, False),
        ({"sda", "sdb"}, {"sdc", "sdd"}, {"card"}, True),
        ({"card"}, {"sdb"}, {"card"}, False),
        ({"sda"}, {"sdb", "card"}, {"card"}, False),
    ],
)
def test_drives_are_counted_not_folders(
    case: Case, one: set[str], two: set[str], card: set[str], yes: bool
) -> None:
    case.disk = OnDrives(case.bench, one, two, card)
    assert case.verdict().may_be_formatted is yes
    if not yes:
        assert "different drives" in case.reason()


def test_this_machines_own_drives_are_asked(case: Case) -> None:
    """Card and copies lie in one file system here: an honest no."""
    case.disk = Disk()
    assert "without verified copies on 2 different drives" in case.reason()


def test_no_for_anything_on_the_card_that_was_not_copied_unless_it_is_junk(case: Case) -> None:
    (case.bench.card / ".DS_Store").write_bytes(b"junk")
    assert case.verdict().may_be_formatted
    (case.bench.card / "link").symlink_to("INDEX.XML")
    assert case.reason() == "1 file not copied: it is a link, and links are not followed: link"


def test_no_for_an_empty_card_and_for_one_never_seen(case: Case, catalogue: Sessions, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    listing = Listing(tmp_path / "empty", frozenset(), (), (), ())
    assert "no file on this card" in judge(listing, lambda _: {}, REEL, Disk()).reasons[0]
    assert "never offloaded" in judge_card(case.bench.card, None, catalogue, Disk()).reasons[0]


def test_many_reasons_are_counted_and_few_files_named(case: Case) -> None:
    for number in range(5):
        (case.bench.card / f"NEW{number}").write_bytes(b"")
    os.utime(case.bench.card / PATH)
    reasons = case.verdict().reasons
    assert len(reasons) == 2
    assert any(
        "5 files on the card that no offload has copied: NEW0, NEW1, NEW2 and 2 more" in r for r in reasons
    )


# --- random histories --------------------------------------------------------------------------------------


@pytest.fixture
def many_sessions(migrated_file: Path, memory_path: Path) -> Iterator[Sessions]:
    path = shutil.copyfile(migrated_file, memory_path / "catalogue.sqlite")
    engine = make_engine(f"sqlite:///{path}")
    yield make_sessions(engine)
    engine.dispose()


WEIGHTS: Mapping[str, int] = {
    "offload": 12,
    "offload_badly": 6,
    "add": 4,
    "change": 2,
    "delete": 2,
    "rename": 2,
    "reformat": 1,
    "unplug": 3,
    "plug": 4,
    "exchange": 1,
    "wipe": 1,
    "spoil": 2,
}


@pytest.mark.parametrize("shard", range(SHARDS))
def test_no_history_leads_to_a_wrong_yes(many_sessions: Sessions, memory_path: Path, shard: int) -> None:
    """Whatever happened to card, copies and drives: a yes means that every byte lies on two drives. And it
    is given where nothing at all speaks against it. What no listing can show (new bytes under the old
    size and time to the nanosecond) is left out; `rushlight check` and an offload read for that.
    """
    yes = 0
    for number in range(shard, HISTORIES, SHARDS):
        yes += _live_through(number, memory_path / f"history {number}", many_sessions)
    assert yes > HISTORIES / SHARDS / 10, "hardly any history ever came to a yes: nothing was put to the test"


def _live_through(number: int, root: Path, sessions: Sessions) -> int:
    root.mkdir()
    world = World(root, random.Random(number), sessions)
    for name in ("A", "D/C"):
        world.put(world.card / name)
    yes = 0
    for left in reversed(range(EVENTS)):
        event = world.random.choices(list(WEIGHTS), list(WEIGHTS.values()))[0]
        world.story.append(event)
        getattr(world, event)()
        for reel, verdict in world.verdicts(all_reels=not left):
            memory = world.memories[reel]
            told = "\n".join([f"history {number}:", *world.story, f"reel {reel}: {verdict}"])
            assert not verdict.may_be_formatted or world.is_safe(memory.folder), f"a wrong yes. {told}"
            assert verdict.may_be_formatted or not world.must_be_yes(memory), f"a no without reason. {told}"
            assert verdict.may_be_formatted is not bool(verdict.reasons)
            yes += verdict.may_be_formatted
    shutil.rmtree(root)
    return yes
