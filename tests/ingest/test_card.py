"""Cards as they come: everything on one is listed or left out by name, and nothing on it changes."""

from __future__ import annotations

import ctypes
import errno
import os
import socket
import stat
from contextlib import suppress
from pathlib import Path

import pytest

from ingest.card import JUNK_FILES, JUNK_FOLDERS, MAX_DEPTH, NAMED, Listing, read_card
from ingest.durable import Disk
from shared.errors import UsageError
from shared.models import CopyState
from shared.names import display
from tests.faults import FailNth
from tests.ingest.copy_support import (
    REEL,
    TREE,
    all_verified,
    card_unchanged,
    content,
    files_below,
    make_bench,
    make_card,
    offload,
    snapshot,
    states,
)

APPLE_DOUBLE = bytes.fromhex("00051607 00020000")  # RFC 1740, appendix B: magic number, version


@pytest.fixture
def card(tmp_path: Path) -> Path:
    return make_card(tmp_path / "card")


def listed(card: Path, disk: Disk | None = None) -> Listing:
    return read_card(card, disk or Disk())


def left_out(listing: Listing) -> dict[str, str]:
    return {thing.path: thing.reason for thing in listing.left_out}


def test_a_card_is_listed_whole_with_sizes_and_times(card: Path) -> None:
    listing = listed(card)
    assert {entry.path: entry.size for entry in listing.files} == TREE
    for entry in listing.files:
        assert entry.mtime_ns == (card / entry.path).stat().st_mtime_ns
    assert listing.folders == ("DCIM", "DCIM/100", "DCIM/101", "PRIVATE", "PRIVATE/EMPTY")
    assert listing.empty_folders == ("PRIVATE/EMPTY",)
    assert not listing.left_out
    assert listing.total_bytes == sum(TREE.values())


def test_files_of_one_folder_are_read_together(card: Path) -> None:
    folders = [entry.path.rpartition("/")[0] for entry in listed(card).files]
    assert folders == sorted(folders)


def test_nothing_on_the_card_changes_not_even_the_time_of_the_last_reading(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    probe = bench.card / "INDEX.XML"
    with card_unchanged(bench.card):
        listed(bench.card)
        copied = offload(bench.card, bench.drives)
        offload(bench.card, bench.drives)
    assert all_verified(copied, 0)
    # The comparison could have failed: a plain reading does leave a trace here.
    before = snapshot(bench.card)
    probe.read_bytes()
    if snapshot(bench.card) == before:
        pytest.skip("this file system keeps no access times; contents and other times were compared")


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser can read as somebody else")
def test_a_card_of_another_owner_is_read_too(tmp_path: Path) -> None:
    """Only the owner may ask for the access time to be left alone; others get a plain reading."""
    system = ctypes.CDLL(None)

    class NotTheOwner(Disk):
        refused = 0

        def open_source(self, name: str, *, at: int) -> int:
            system.setfsuid(65534)  # for this thread alone
            try:
                with pytest.raises(PermissionError):
                    os.open(name, os.O_RDONLY | os.O_NOATIME, dir_fd=at)
                self.refused += 1
                return super().open_source(name, at=at)
            finally:
                system.setfsuid(0)

    bench = make_bench(tmp_path)
    disk = NotTheOwner()
    assert all_verified(offload(bench.card, bench.drives, disk), 0)
    assert disk.refused == len(TREE)


# --- what is not a plain file ------------------------------------------------------------------------------


def test_links_pipes_sockets_and_devices_are_named_and_not_opened(card: Path) -> None:
    (card / "to a file").symlink_to("INDEX.XML")
    (card / "to a folder").symlink_to("DCIM")
    (card / "to nothing").symlink_to("/nowhere")
    (card / "in a circle").symlink_to("in a circle")
    os.mkfifo(card / "pipe")
    folder = os.open(card, os.O_RDONLY)
    try:
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind(f"/proc/self/fd/{folder}/socket")  # the full path may be too long for one
    finally:
        os.close(folder)
    expected = {
        "to a file": "it is a link, and links are not followed",
        "to a folder": "it is a link, and links are not followed",
        "to nothing": "it is a link, and links are not followed",
        "in a circle": "it is a link, and links are not followed",
        "pipe": "it is a pipe, no file",
        "socket": "it is a socket, no file",
    }
    with suppress(PermissionError):  # the superuser's alone
        os.mknod(card / "device", stat.S_IFCHR | 0o600, os.makedev(1, 5))  # /dev/zero: it never ends
        expected["device"] = "it is a device, no file"
    listing = listed(card)
    assert left_out(listing) == expected
    assert not any(thing.junk for thing in listing.left_out)
    assert {entry.path for entry in listing.files} == set(TREE)


def test_hard_links_are_files_each(card: Path, tmp_path: Path) -> None:
    (card / "DCIM/AGAIN.MOV").hardlink_to(card / "DCIM/100/A.MOV")
    drive = tmp_path / "drive"
    drive.mkdir()
    copied = offload(card, [drive])
    assert all_verified(copied, 0)
    assert (drive / REEL / "DCIM/AGAIN.MOV").read_bytes() == content("DCIM/100/A.MOV", 70_001)
    assert (drive / REEL / "DCIM/AGAIN.MOV").stat().st_nlink == 1
    (note,) = copied.plan.listing.notes
    assert note.startswith("DCIM/100/A.MOV and DCIM/AGAIN.MOV are one file on the card (hard links)")
    assert note in copied.plan.warnings


def test_very_many_hard_links_are_counted(card: Path) -> None:
    for number in range(NAMED + 1):
        (card / f"{number:02}.XML").hardlink_to(card / "INDEX.XML")
        (card / f"{number:02}.TXT").write_bytes(b"")
        (card / f"{number:02}.txt").hardlink_to(card / f"{number:02}.TXT")
    notes = listed(card).notes
    assert len(notes) == NAMED + 1
    assert "and 2 more are one file" in next(note for note in notes if "INDEX.XML" in note or "XML" in note)
    assert notes[-1] == "2 more files have several names on the card"


def test_a_sparse_file_is_copied_with_its_holes_filled(card: Path, tmp_path: Path) -> None:
    with open(card / "SPARSE.BIN", "wb") as file:
        file.truncate(9_000_000)
        file.seek(500_000)
        file.write(b"middle")
    drive = tmp_path / "drive"
    drive.mkdir()
    copied = offload(card, [drive])
    assert all_verified(copied, 0)
    (note,) = copied.plan.listing.notes
    assert note.startswith("SPARSE.BIN has 9,000,000 bytes, of which the card stores ")
    assert (drive / REEL / "SPARSE.BIN").read_bytes() == (card / "SPARSE.BIN").read_bytes()


# --- what can't be read ------------------------------------------------------------------------------------


def test_a_folder_that_can_t_be_opened_is_left_out_and_the_rest_is_listed(card: Path) -> None:
    disk = FailNth(1, errno.EACCES, lasting=True, calls=["open_folder"], below=card / "DCIM/100")
    listing = listed(card, disk)
    assert "can't be read" in left_out(listing)["DCIM/100"]
    assert {entry.path for entry in listing.files} == {p for p in TREE if not p.startswith("DCIM/100")}
    # An empty folder at the destination would pretend that there was nothing in it.
    assert "DCIM/100" not in listing.empty_folders


def test_a_folder_without_the_right_to_read_is_left_out(memory_path: Path) -> None:
    card = make_card(memory_path / "card")
    memory_path.chmod(0o755)
    (card / "DCIM/100").chmod(0)
    superuser = os.geteuid() == 0
    try:
        if superuser:  # who may read everything
            os.seteuid(65534)
        listing = listed(card)
    finally:
        if superuser:
            os.seteuid(0)
        (card / "DCIM/100").chmod(0o755)
    assert "Permission denied" in left_out(listing)["DCIM/100"]
    assert {entry.path for entry in listing.files} == {p for p in TREE if not p.startswith("DCIM/100")}


def test_an_entry_that_vanishes_or_fails_while_listed_is_left_out(card: Path) -> None:
    disk = FailNth(1, errno.EIO, calls=["stat_at"], named="B.MOV")
    assert set(left_out(listed(card, disk))) == {"DCIM/100/B.MOV"}
    disk = FailNth(1, errno.ENOENT, calls=["stat_at"], named="B.MOV")
    assert "vanished" in left_out(listed(card, disk))["DCIM/100/B.MOV"]


@pytest.mark.parametrize("make", [None, lambda path: path.write_bytes(b"a file")])
def test_where_there_is_no_folder_there_is_no_card(tmp_path: Path, make: object) -> None:
    path = tmp_path / "nothing"
    if callable(make):
        make(path)
    with pytest.raises(UsageError) as caught:
        listed(path)
    assert str(path) in str(caught.value)
    assert caught.value.remedy


def test_the_link_that_a_person_names_is_followed(card: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(card)
    listing = listed(tmp_path / "link")
    assert listing.root == card.resolve()
    assert {entry.path for entry in listing.files} == set(TREE)


def test_a_tree_too_deep_is_cut_and_named(card: Path, tmp_path: Path) -> None:
    deep = "/".join("d" * (MAX_DEPTH + 1))
    (card / deep).mkdir(parents=True)
    (card / deep / "lost").write_bytes(b"x")
    (card / "/".join("e" * MAX_DEPTH)).mkdir(parents=True)
    (card / "/".join("e" * MAX_DEPTH) / "kept").write_bytes(b"x")
    listing = listed(card)
    assert list(left_out(listing)) == [deep]
    assert "/".join([*"e" * MAX_DEPTH, "kept"]) in {entry.path for entry in listing.files}
    drive = tmp_path / "drive"
    drive.mkdir()
    assert all_verified(offload(card, [drive]), 0)


# --- names -------------------------------------------------------------------------------------------------

HOSTILE = (
    b"caf\xe9.mov",  # Latin-1, no UTF-8
    b"\xff\xfe\x01",
    b"line\nbreak.mov",
    b"\x1b[31mred.mov",
    b"tab\tname",
    "right\u202eto left.mov".encode(),
    "caf\u00e9".encode(),
    "cafe\u0301".encode(),
    "überfähre 🎬.mov".encode(),
    b" leading and trailing ",
    b"-rf",
    b"...",
    b"back\\slash",
    b"quo\"te'$(rm)`x`",
    b"x" * 255,
    "ü".encode() * 127,
)


def test_hostile_names_are_kept_to_the_byte(tmp_path: Path) -> None:
    card = make_card(tmp_path / "card", {}, ())
    for number, raw in enumerate(HOSTILE):
        (card / os.fsdecode(raw)).write_bytes(content(str(number), 100 + number))
    folder = card / os.fsdecode(b"fold\xe9r\n")
    folder.mkdir()
    (folder / os.fsdecode(HOSTILE[0])).write_bytes(b"deeper")
    listing = listed(card)
    assert {entry.raw for entry in listing.files} == {*HOSTILE, b"fold\xe9r\n/caf\xe9.mov"}
    drive = tmp_path / "drive"
    drive.mkdir()
    with card_unchanged(card):
        copied = offload(card, [drive])
    assert all_verified(copied, 0)
    assert files_below(drive / REEL) == files_below(card)


def test_what_is_shown_of_a_hostile_name_is_one_printable_line_and_never_two_names_alike() -> None:
    shown = [display(raw) for raw in (*HOSTILE, b"caf\\xe9.mov", b"line\\u000abreak.mov")]
    assert len(set(shown)) == len(shown)
    assert all(text.isprintable() for text in shown)
    assert not any("\u202e" in text for text in shown)


# --- junk --------------------------------------------------------------------------------------------------


def test_what_computers_leave_is_named_as_junk_and_what_cameras_leave_is_kept(card: Path) -> None:
    for name in JUNK_FILES:
        (card / name).write_bytes(b"junk")
    for name in JUNK_FOLDERS:
        (card / name / "inside").mkdir(parents=True)
        (card / name / "file").write_bytes(b"junk")
    (card / "DCIM/100/.DS_Store").write_bytes(b"junk")
    (card / "DCIM/100/._A.MOV").write_bytes(APPLE_DOUBLE + bytes(100))
    kept = {
        ".camera-settings": b"a dot file that matters",
        "DCIM/100/._odd.dat": b"begins like a companion, is none",
        "DCIM/100/._short": APPLE_DOUBLE[:3],
        "DCIM/100/._empty": b"",
        "Thumbs.db.MOV": b"no junk",
        "DCIM/.Trashes.txt": b"no junk",
    }
    for path, data in kept.items():
        (card / path).write_bytes(data)
    (card / "DCIM/desktop.ini").mkdir()  # a folder of a junk file's name is no junk file
    (card / "DCIM/desktop.ini/clip").write_bytes(b"x")
    listing = listed(card)
    junk = {*JUNK_FILES, *JUNK_FOLDERS, "DCIM/100/.DS_Store", "DCIM/100/._A.MOV"}
    assert {thing.path for thing in listing.left_out if thing.junk} == junk
    assert {thing.path for thing in listing.left_out} == junk
    assert {entry.path for entry in listing.files} == {*TREE, *kept, "DCIM/desktop.ini/clip"}


def test_a_companion_that_can_t_be_read_is_no_junk(card: Path, tmp_path: Path) -> None:
    """It is listed, and the copy then says what is wrong with it."""
    (card / "._A.MOV").write_bytes(APPLE_DOUBLE + bytes(100))
    disk = FailNth(1, errno.EIO, lasting=True, calls=["read_into"], named="._A.MOV")
    assert "._A.MOV" in {entry.path for entry in listed(card, disk).files}


def test_many_files_in_one_folder(tmp_path: Path) -> None:
    bench = make_bench(tmp_path, {f"IMG_{n:05}.JPG": 3 for n in range(1500)})
    copied = offload(bench.card, [bench.one])
    assert set(states(copied, 0).values()) == {CopyState.VERIFIED}
    assert len(files_below(bench.one)) == 1500


def test_a_time_stamp_beyond_the_catalogue_is_named(memory_path: Path) -> None:
    """Nanoseconds in 64 bits end in the year 2262; file systems go on: a camera's broken clock may too."""
    late = memory_path / "card" / "LATE.MOV"
    late.parent.mkdir()
    late.write_bytes(b"late")
    (late.parent / "GOOD.MOV").write_bytes(b"good")
    stamp = 10 * 10**18  # in 2286
    os.utime(late, ns=(stamp, stamp))
    if late.stat().st_mtime_ns != stamp:
        pytest.skip("this file system holds no such time")
    listing = listed(late.parent)
    assert left_out(listing) == {"LATE.MOV": "its time stamp is beyond what a catalogue can hold"}
    assert [entry.path for entry in listing.files] == ["GOOD.MOV"]
