"""The plan: what is kept, proven and written, and everything that is refused before the first byte."""

from __future__ import annotations

import errno
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from ingest import plan as plan_module
from ingest.card import Listing, read_card
from ingest.durable import Disk
from ingest.files import Entry
from ingest.misfits import FAT_LARGEST, Blind
from ingest.plan import KnownCopy, KnownFile, Place, Plan, filesystem_of, make_plan, open_places
from shared.errors import (
    ConflictError,
    DestinationFullError,
    DestinationGoneError,
    RefusedFileError,
    UsageError,
)
from tests.faults import FailNth
from tests.ingest.copy_support import REEL, TREE, Bench, card_unchanged, make_bench, make_card, plan_of


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return make_bench(tmp_path)


def listing_of(tmp_path: Path, sizes: Mapping[str, int]) -> Listing:
    """A card that claims these files: names and sizes that no disk of ours may be able to hold."""
    entries = tuple(Entry(path, size, 1) for path, size in sizes.items())
    return Listing(tmp_path / "card", frozenset({"card"}), entries, (), ())


def place_of(root: Path, **values: object) -> Place:
    plain = Place(root, REEL, 1, frozenset({"sda"}), blind=Blind(), filesystem="ext4")
    return replace(plain, **values)  # type: ignore[arg-type]


class Space(Disk):
    """Drives with so much space."""

    def __init__(self, free: Mapping[Path, int]) -> None:
        self._free = free

    def free_bytes(self, path: Path) -> int:
        return self._free[path]


def planned(
    listing: Listing, places: Sequence[Place], free: Mapping[Path, int] | None = None, margin: int = 0
) -> Plan:
    disk = Space(free) if free is not None else Space({place.root: 10**15 for place in places})
    return make_plan(listing, places, lambda _: {}, disk, margin_percent=margin, prove_again=False)


def refused(plan: Plan, place: int = 0) -> dict[str | None, Exception]:
    return {refusal.path: refusal.error for refusal in plan.refusals if refusal.place == place}


# --- names that fall together ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "refused_names"),
    [
        (["A.MOV", "a.mov"], {"a.mov"}),
        (["A.MOV", "a.mov", "A.mov"], {"a.mov", "A.mov"}),
        (["caf\u00e9.mov", "cafe\u0301.mov"], {"cafe\u0301.mov"}),
        (["CAF\u00c9.MOV", "cafe\u0301.mov"], {"cafe\u0301.mov"}),
        (["stra\u00dfe", "STRASSE"], {"STRASSE"}),
        (["\u1e9e.mov", "SS.MOV"], {"SS.MOV"}),
        (["D/A.MOV", "E/a.mov"], set()),
        (["D/A.MOV", "d/B.MOV"], {"d/B.MOV"}),
        (["D/x/A.MOV", "d/X/B.MOV", "D/x/C.MOV"], {"d/X/B.MOV"}),
        (["D/caf\u00e9/A", "D/cafe\u0301/B"], {"D/cafe\u0301/B"}),
        (["d", "D/x"], {"D/x"}),
        (["A.MOV", "B.MOV"], set()),
        ([os.fsdecode(b"\xff.MOV"), os.fsdecode(b"\xfe.MOV")], set()),
    ],
)
def test_names_that_fall_together_on_a_case_blind_drive(
    tmp_path: Path, names: list[str], refused_names: set[str]
) -> None:
    """Unicode's default case folding and canonical equivalence (Unicode 15, section 3.13, D145)."""
    listing = listing_of(tmp_path, dict.fromkeys(names, 10))
    blind = place_of(tmp_path / "one", blind=Blind(case=True, form=True))
    sighted = place_of(tmp_path / "two", device=2)
    plan = planned(listing, [blind, sighted])
    assert set(refused(plan)) == refused_names
    for error in refused(plan).values():
        assert isinstance(error, ConflictError)
        assert error.path
        assert error.remedy
    assert not refused(plan, 1)
    for task in plan.tasks:
        assert task.write == ((1,) if task.entry.path in refused_names else (0, 1))


@pytest.mark.parametrize("filesystem", ["vfat", "exfat", "ntfs3", "fuseblk", "cifs"])
@pytest.mark.parametrize(
    "name",
    ["CON", "aux.mov", "a:b", "what?", 'say "x"', "line\nbreak", "trailing ", "trailing.", "x|y", "COM1.x"],
)
def test_names_that_some_drives_refuse(tmp_path: Path, filesystem: str, name: str) -> None:
    listing = listing_of(tmp_path, {f"D/{name}": 10, f"{name}/inside": 10, "D/fine": 10})
    plan = planned(listing, [place_of(tmp_path / "one", filesystem=filesystem), place_of(tmp_path / "two")])
    assert set(refused(plan)) == {f"D/{name}", f"{name}/inside"}
    assert all(isinstance(error, RefusedFileError) for error in refused(plan).values())
    assert not refused(plan, 1)


def test_the_largest_file_of_fat(tmp_path: Path) -> None:
    """4 GiB less one byte, by the published FAT specification."""
    assert FAT_LARGEST == 2**32 - 1
    listing = listing_of(tmp_path, {"largest": FAT_LARGEST, "too large": FAT_LARGEST + 1})
    plan = planned(
        listing, [place_of(tmp_path / "one", filesystem="vfat"), place_of(tmp_path / "two", device=2)]
    )
    assert set(refused(plan)) == {"too large"}
    assert isinstance(refused(plan)["too large"], RefusedFileError)
    assert f"{FAT_LARGEST:,}" in str(refused(plan)["too large"])
    assert [task.write for task in plan.tasks] == [(0, 1), (1,)]
    assert not refused(planned(listing, [place_of(tmp_path / "one", filesystem="exfat")]))


# --- space -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("free", "margin", "fits"), [(8192, 0, True), (8191, 0, False), (8192, 1, False), (8192 + 81, 1, True)]
)
def test_space_is_counted_in_blocks_with_a_margin(tmp_path: Path, free: int, margin: int, fits: bool) -> None:
    listing = listing_of(tmp_path, {"a": 1, "b": 4096, "c": 0})
    place = place_of(tmp_path / "one")
    plan = planned(listing, [place], {place.root: free}, margin)
    assert (refused(plan) == {}) is fits
    assert plan.refuses(0) is not fits
    assert plan.bytes_for(0) == (4097 if fits else 0)
    if not fits:
        error = refused(plan)[None]
        assert isinstance(error, DestinationFullError)
        assert f"{free:,}" in str(error)


def test_a_full_drive_is_refused_and_the_other_keeps_its_tasks(tmp_path: Path) -> None:
    listing = listing_of(tmp_path, {"a": 5000, "b": 5000})
    places = [place_of(tmp_path / "one"), place_of(tmp_path / "two", device=2)]
    plan = planned(listing, places, {places[0].root: 100, places[1].root: 10**9})
    assert plan.refuses(0)
    assert not plan.refuses(1)
    assert [task.write for task in plan.tasks] == [(1,), (1,)]


def test_two_folders_of_one_drive_draw_from_the_same_space(tmp_path: Path) -> None:
    listing = listing_of(tmp_path, {f"{n}": 1 for n in range(10)})  # a block each
    places = [place_of(tmp_path / "one"), place_of(tmp_path / "two")]
    free = dict.fromkeys([place.root for place in places], 15 * 4096)
    plan = planned(listing, places, free)
    assert [plan.refuses(0), plan.refuses(1)] == [False, True]
    assert not planned(listing, places, dict.fromkeys(free, 20 * 4096)).refusals
    apart = [places[0], replace(places[1], device=2)]
    assert not planned(listing, apart, free).refusals


def test_a_drive_that_goes_before_its_space_is_asked_for_is_refused(bench: Bench) -> None:
    disk = FailNth(1, errno.ENODEV, calls=["free_bytes"], below=bench.one)
    listing = read_card(bench.card, disk)
    places, _ = open_places(listing, bench.drives, REEL, disk)
    plan = make_plan(listing, places, lambda _: {}, disk, margin_percent=1, prove_again=False)
    assert isinstance(refused(plan)[None], DestinationGoneError)
    assert all(task.write == (1,) for task in plan.tasks)


def test_what_is_there_already_needs_no_space(bench: Bench) -> None:
    for path in TREE:
        copy = bench.copy_at(bench.one, path)
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes((bench.card / path).read_bytes())
    listing = read_card(bench.card, Disk())
    places, _ = open_places(listing, [bench.one], REEL, Disk())
    plan = make_plan(
        listing, places, lambda _: {}, Space({bench.one: 0}), margin_percent=5, prove_again=False
    )
    assert not plan.refusals
    assert all(task.prove == (0,) for task in plan.tasks)


# --- destinations ----------------------------------------------------------------------------------------


def opened(card: Path, *roots: Path) -> tuple[Sequence[Place], Sequence[str]]:
    return open_places(read_card(card, Disk()), roots, REEL, Disk())


def test_a_destination_on_the_card_around_it_or_the_card_itself_is_refused(bench: Bench) -> None:
    link = bench.one / "link"
    link.symlink_to(bench.card / "DCIM")
    for root in (bench.card, bench.card / "DCIM", bench.card / "DCIM/../PRIVATE", bench.card.parent, link):
        with pytest.raises(UsageError, match="inside each other") as caught:
            opened(bench.card, root)
        assert caught.value.remedy
    with card_unchanged(bench.card), pytest.raises(UsageError, match="inside each other"):
        opened(bench.card, bench.card / "DCIM/new")  # not even made on the way
    places, _ = opened(bench.card, bench.card.parent / "one")
    assert places[0].root == bench.one


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser can mount")
def test_the_card_under_another_name_is_still_the_card(bench: Bench, bind_mount: Path) -> None:
    with pytest.raises(UsageError, match="inside each other"):
        opened(bench.card, bind_mount)
    with pytest.raises(UsageError, match="inside each other"):
        opened(bench.card, bind_mount / "DCIM")


def test_the_same_destination_twice_is_refused_whatever_it_is_called(bench: Bench) -> None:
    link = bench.one.with_name("link")
    link.symlink_to(bench.one)
    for twin in (bench.one, bench.two / "../one", link):
        with pytest.raises(UsageError, match="twice"):
            opened(bench.card, bench.one, twin)


def test_one_missing_folder_is_made_and_told_but_not_two(bench: Bench) -> None:
    places, notes = opened(bench.card, bench.one / "new")
    assert places[0].root == bench.one / "new"
    assert places[0].root.is_dir()
    assert str(bench.one / "new") in notes[0]
    with pytest.raises(UsageError, match="no such folder"):
        opened(bench.card, bench.one / "neither" / "nor")


@pytest.mark.parametrize("below", ["DRIVE", "me/DRIVE"])
def test_a_missing_folder_where_a_drive_should_be_mounted_is_never_made(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, below: str
) -> None:
    """Else the copy would land on the system's own disk, under the name of a drive that is not there."""
    media = bench.one / "media"
    (media / "me").mkdir(parents=True)
    monkeypatch.setattr(plan_module, "MOUNT_PARENTS", ("/mnt", str(media), "/run/media", "/Volumes"))
    with pytest.raises(UsageError, match="no such folder") as caught:
        opened(bench.card, media / below)
    assert "Plug the drive in" in str(caught.value)
    assert not (media / below).exists()


def test_a_destination_that_is_a_file_or_can_t_be_opened_is_refused(bench: Bench) -> None:
    (bench.one / "file").write_bytes(b"")
    with pytest.raises(UsageError) as caught:
        opened(bench.card, bench.one / "file")
    assert str(bench.one / "file") in str(caught.value)
    disk = FailNth(1, errno.EIO, calls=["open_folder"], below=bench.one)
    with pytest.raises(UsageError, match="can't be opened"):
        open_places(read_card(bench.card, Disk()), [bench.one], REEL, disk)


def test_nothing_is_left_at_a_destination_by_looking_at_it(bench: Bench) -> None:
    plan_of(bench.card, bench.drives)
    assert not list(bench.one.iterdir())


def test_copies_on_one_drive_are_warned_of(tmp_path: Path) -> None:
    listing = listing_of(tmp_path, {"a": 1})

    def warned(*drives: set[str]) -> int:
        places = [
            place_of(tmp_path / f"{n}", device=n, drives=frozenset(under)) for n, under in enumerate(drives)
        ]
        return len(planned(listing, places).warnings)

    assert warned({"sda"}, {"sdb"}) == 0
    assert warned({"sda"}, {"sda"}) == 1  # two partitions: other device numbers, one drive
    assert warned({"sda", "sdb"}, {"sdb", "sdc"}) == 1
    assert warned({"card"}, {"sda"}) == 1
    assert warned({"sda"}, {"sda"}, {"sda"}) == 1  # one line for all that die together
    assert warned({"sda"}, {"sda"}, {"sdb"}, {"sdb"}) == 2
    assert warned({"sda"}, {"sda", "sdb"}, {"sdb"}) == 1  # a chain hangs together
    assert warned({"card"}, {"sda"}, {"card"}) == 1


def test_the_file_system_is_found_in_the_mount_table() -> None:
    if not Path("/proc/self/mounts").exists():
        pytest.skip("this system has no /proc/self/mounts")
    assert filesystem_of(Path("/proc/self")) == "proc"
    assert filesystem_of(Path("/sys/kernel")) == "sysfs"


# --- kept, proven, written ---------------------------------------------------------------------------------


def test_what_is_proven_and_unchanged_is_kept_and_anything_else_is_not(bench: Bench) -> None:
    for path in TREE:
        copy = bench.copy_at(bench.one, path)
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes((bench.card / path).read_bytes())
    bench.copy_at(bench.one, "INDEX.XML").unlink()
    known = {}
    for path in TREE:
        entry, copy = (bench.card / path).stat(), bench.copy_at(bench.one, path)
        proven = {bench.one: KnownCopy(entry.st_size, copy.stat().st_mtime_ns if copy.exists() else 1)}
        known[path] = KnownFile(entry.st_size, entry.st_mtime_ns, "00ff", proven)
    known["DCIM/100/A.MOV"] = replace(known["DCIM/100/A.MOV"], proven={})
    os.utime(bench.copy_at(bench.one, "DCIM/101/C.WAV"))
    known["DCIM/101/D.WAV"] = replace(known["DCIM/101/D.WAV"], mtime_ns=known["DCIM/101/D.WAV"].mtime_ns + 1)
    del known["DCIM/100/EMPTY.TXT"]

    plan = plan_of(bench.card, [bench.one], known=known)
    decided = {
        t.entry.path: ("write" * len(t.write)) + ("prove" * len(t.prove)) + ("kept" * len(t.kept))
        for t in plan.tasks
    }
    assert decided == {
        "DCIM/100/A.MOV": "prove",  # there, and not known to be proven
        "DCIM/100/B.MOV": "kept",
        "DCIM/100/EMPTY.TXT": "prove",  # there, and unknown
        "DCIM/101/C.WAV": "prove",  # touched at the destination since
        "DCIM/101/D.WAV": "prove",  # touched on the card since
        "INDEX.XML": "write",  # proven once, and gone
    }
    kept = next(task for task in plan.tasks if task.kept)
    assert not kept.needs_reading
    assert plan.bytes_to_read == sum(TREE.values()) - TREE["DCIM/100/B.MOV"]
    assert {task.expected for task in plan.tasks} == {"00ff", None}

    again = plan_of(bench.card, [bench.one], known=known, prove_again=True)
    assert not any(task.kept for task in again.tasks)
    assert sum(len(task.prove) for task in again.tasks) == len(TREE) - 1


def test_a_proof_at_one_drive_says_nothing_of_another(bench: Bench) -> None:
    copy = bench.copy_at(bench.two, "INDEX.XML")
    copy.parent.mkdir(parents=True)
    copy.write_bytes((bench.card / "INDEX.XML").read_bytes())
    entry = (bench.card / "INDEX.XML").stat()
    proven = {bench.one: KnownCopy(entry.st_size, copy.stat().st_mtime_ns)}
    known = {"INDEX.XML": KnownFile(entry.st_size, entry.st_mtime_ns, "00ff", proven)}
    plan = plan_of(bench.card, bench.drives, known=known)
    task = next(task for task in plan.tasks if task.entry.path == "INDEX.XML")
    assert (task.write, task.prove, task.kept) == ((0,), (1,), ())


def test_a_card_of_empty_files(tmp_path: Path) -> None:
    card = make_card(tmp_path / "card", {"a": 0, "b": 0})
    (tmp_path / "one").mkdir()
    plan = plan_of(card, [tmp_path / "one"])
    assert plan.bytes_to_read == 0
    assert all(task.needs_reading for task in plan.tasks)
