"""The power goes, or the drive, at any moment: what was called verified is there, and nothing is wrong."""

from __future__ import annotations

import fcntl
import os
import random
import shutil
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.copy import Copied, CopyOptions, copy
from ingest.folders import open_below
from ingest.progress import Counters
from ingest.settle import FEW
from shared.models import CopyState
from tests.faults import Watched, is_below
from tests.ingest.copy_support import (
    PARTIAL,
    REEL,
    all_verified,
    files_below,
    make_card,
    offload,
    plan_of,
    under_final_names,
)
from tests.ingest.power_cut import LOST, MODES, TORN, Acknowledged, Drive, RecordingDisk, replay

ONE_THREAD = CopyOptions(buffers=2, buffer_bytes=8192, settle_workers=1)
SIZES = {"D/100/A": 20_000, "D/100/B": 8192, "D/101/C": 1, "D/101/E": 0, "D/X": 700, "Y": 701, "Z": 702}
MANY = {**SIZES, **{f"M/{n:02}": 10 + n for n in range(FEW + 4)}}


def recorded_run(root: Path, tree: dict[str, int], *, made_before: bool) -> tuple[RecordingDisk, Path]:
    card = make_card(root / "card", tree)
    drive = root / "drive"
    drive.mkdir()
    disk = RecordingDisk(drive)
    plan = plan_of(card, [drive])
    if made_before:
        # As a killed run may leave them: folders that are there, and were never synced.
        handle = disk.open_folder(drive)
        for part in f"{REEL}/D/100".split("/"):
            disk.make_folder(part, at=handle)
            below = disk.open_folder(part, at=handle)
            os.close(handle)
            handle = below
        os.close(handle)
    counters = Counters.for_places(1)
    counters.verified = Acknowledged(disk, {size: path for path, size in tree.items()})
    assert all_verified(copy(plan, disk, ONE_THREAD, counters=counters), 0)
    return disk, card


@pytest.mark.parametrize("tree", [SIZES, MANY], ids=["synced one by one", "synced at once"])
@pytest.mark.parametrize("made_before", [False, True], ids=["new folders", "folders of a killed run"])
def test_whatever_is_left_after_a_power_cut_keeps_the_promises(
    memory_path: Path, tree: dict[str, int], made_before: bool
) -> None:
    disk, card = recorded_run(memory_path, tree, made_before=made_before)
    held = files_below(card)
    drive = Drive(disk.root)
    chance = random.Random(1)
    states = 0
    for event in disk.events:
        drive.take(event)
        for mode in (*MODES, TORN, TORN):
            left = drive.after_the_cut(mode, chance)
            states += 1
            told = f"{mode} after {event.what} {event.name} {event.other}"
            for path, found in left.items():
                if not PARTIAL.search(path):
                    assert held[path.removeprefix(f"{REEL}/")] == found, f"{told}: {path} is not the card's"
            for path in drive.verified:
                assert f"{REEL}/{path}" in left, f"{told}: {path} was called verified and is gone"
    assert drive.verified == set(tree)
    assert states > 300
    assert {path.removeprefix(f"{REEL}/") for path in drive.after_the_cut(LOST, chance)} == set(tree)


def test_the_next_run_completes_what_a_power_cut_left(memory_path: Path) -> None:
    disk, card = recorded_run(memory_path, SIZES, made_before=False)
    chance = random.Random(2)
    for number in range(0, len(disk.events), 5):
        left = replay(disk.root, disk.events[:number]).after_the_cut(TORN, chance)
        drive = memory_path / f"drive {number}"
        drive.mkdir()
        for path, data in left.items():
            (drive / path).parent.mkdir(parents=True, exist_ok=True)
            (drive / path).write_bytes(data)
        copied = offload(card, [drive])
        assert all_verified(copied, 0)
        final = {path: data for path, data in files_below(drive / REEL).items() if not PARTIAL.search(path)}
        assert final == files_below(card)


def test_the_model_would_show_a_success_told_too_early(memory_path: Path) -> None:
    """A program that renames before it syncs, and believes in the name: each way of losing it is seen."""
    drive = memory_path / "drive"
    drive.mkdir()
    disk = RecordingDisk(drive)
    folder = open_below(disk, drive, "", make=False)
    handle = disk.create("A.0123abcd.partial", at=folder)
    disk.write(handle, memoryview(b"bytes"))
    disk.publish("A.0123abcd.partial", "A", at=folder)
    os.close(handle)
    after = replay(disk.root, disk.events)
    assert after.after_the_cut("lost", random.Random(0)) == {}
    assert after.after_the_cut("kept", random.Random(0)) == {"A": b"bytes"}
    assert after.after_the_cut("names without bytes", random.Random(0)) == {"A": b""}
    disk.sync_folder(folder)
    os.close(folder)
    assert replay(disk.root, disk.events).after_the_cut("lost", random.Random(0)) == {"A": b""}


# --- a real file system, shut down for real --------------------------------------------------------------

# <linux/ext4.h> EXT4_IOC_SHUTDOWN: the file system fails every call from now on, as if its drive were gone;
# with this flag even its journal is not written out, as at a power cut.
_SHUTDOWN = 0x8004587D
_WITHOUT_JOURNAL = 2


class LoopDrive:
    """A drive of its own with a real file system: an image file, mounted."""

    def __init__(self, root: Path) -> None:
        self.image = root / "image"
        self.mount_point = root / "mounted"
        self.mount_point.mkdir()
        with open(self.image, "wb") as file:
            file.truncate(24 * 1024 * 1024)
        self._run("mkfs.ext4", "-q", "-F", "-E", "nodiscard", str(self.image))

    def plug(self) -> None:
        self._run("mount", "-o", "loop", str(self.image), str(self.mount_point))

    def unplug(self) -> None:
        self._run("umount", str(self.mount_point))

    def cut(self) -> None:
        handle = os.open(self.mount_point, os.O_RDONLY)
        try:
            fcntl.ioctl(handle, _SHUTDOWN, struct.pack("I", _WITHOUT_JOURNAL))
        finally:
            os.close(handle)

    @staticmethod
    def _run(*command: str) -> None:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise OSError(f"{command[0]}: {done.stderr.strip()}")


@pytest.fixture
def loop_drive(memory_path: Path) -> Iterator[LoopDrive]:
    if os.geteuid() != 0 or shutil.which("mkfs.ext4") is None:
        pytest.skip("only the superuser can mount an image, and mkfs.ext4 is needed")
    drive = LoopDrive(memory_path)
    try:
        drive.plug()
    except OSError as error:
        pytest.skip(f"this machine does not let tests mount an image: {error}")
    yield drive
    if drive.mount_point.is_mount():
        drive.unplug()


class CutAt(Watched):
    """The drive's power goes right before the Nth call on it."""

    def __init__(self, drive: LoopDrive, nth: int) -> None:
        self._drive, self._nth = drive, nth
        self._count = 0
        self.happened = False

    def before(self, call: str, path: str) -> None:
        if is_below(path, self._drive.mount_point):
            self._count += 1
            if self._count == self._nth:
                self._drive.cut()
                self.happened = True


def test_a_real_drive_that_loses_power_in_the_middle(loop_drive: LoopDrive, memory_path: Path) -> None:
    """ext4, shut down without its journal at one call after the other, mounted again, and completed."""
    card = make_card(memory_path / "card", SIZES)
    other = memory_path / "other"
    held = files_below(card)
    cuts = 0
    for nth in (1, 3, 7, 12, 25, 40, 52, 57, 60, 64, 70, 76, 82, 90, 97):
        other.mkdir()
        disk = CutAt(loop_drive, nth)
        copied = offload(card, [loop_drive.mount_point, other], disk, ONE_THREAD)
        assert all_verified(copied, 1)
        cuts += disk.happened
        assert (0 in copied.stopped) is disk.happened
        loop_drive.unplug()
        loop_drive.plug()
        reel = loop_drive.mount_point / REEL
        under_final_names(reel, held)
        for path in _verified(copied):
            assert (reel / path).read_bytes() == held[path]
        again = offload(card, [loop_drive.mount_point, other], None, ONE_THREAD)
        assert all_verified(again, 0)
        shutil.rmtree(loop_drive.mount_point / "film")
        shutil.rmtree(other)
    assert cuts >= 10


def _verified(copied: Copied) -> list[str]:
    return [
        result.task.entry.path
        for result in copied.results
        if 0 in result.at and result.at[0].state is CopyState.VERIFIED
    ]
