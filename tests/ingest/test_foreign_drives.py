"""A real exFAT drive, as an image: blind to case, and it refuses names. Skipped where none can be mounted."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.misfits import Blind
from shared.errors import ConflictError, RefusedFileError
from shared.models import CopyState
from tests.ingest.copy_support import (
    REEL,
    all_verified,
    check_promises,
    files_below,
    make_bench,
    offload,
    plan_of,
    run_plan,
    states,
)


@pytest.fixture
def exfat(memory_path: Path) -> Iterator[Path]:
    """An empty exFAT drive of 64 MB, mounted through the driver in user space."""
    needed = ("mkfs.exfat", "mount.exfat-fuse", "losetup")
    if missing := [tool for tool in needed if shutil.which(tool) is None]:
        pytest.skip(f"{', '.join(missing)} not installed (packages exfatprogs and exfat-fuse)")
    image, drive = memory_path / "image", memory_path / "exfat"
    drive.mkdir()
    with image.open("wb") as file:
        file.truncate(64_000_000)
    subprocess.run(["mkfs.exfat", image], check=True, capture_output=True)
    loop = _run("losetup", "--find", "--show", str(image))
    if loop is None:
        pytest.skip("this machine does not let tests make a loop device")
    try:
        if _run("mount.exfat-fuse", loop, str(drive)) is None:
            pytest.skip("this machine does not let tests mount an exFAT image")
        yield drive
        subprocess.run(["umount", drive], check=True)
    finally:
        subprocess.run(["losetup", "--detach", loop], check=True)


def _run(*command: str) -> str | None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.stdout.strip() if done.returncode == 0 else None


def test_what_the_drive_does_not_tell_apart_is_found_out(exfat: Path, memory_path: Path) -> None:
    """exFAT compares names in upper case, and composed letters stay apart from decomposed ones (published
    exFAT specification, 7.2 and 7.7.3)."""
    bench = make_bench(memory_path)
    places = plan_of(bench.card, [exfat, bench.two]).places
    assert [place.blind for place in places] == [Blind(case=True, form=False), Blind()]
    assert not list(exfat.iterdir())


def test_twins_and_refused_names_are_told_and_the_rest_is_copied(exfat: Path, memory_path: Path) -> None:
    tree = {
        "D/A.MOV": 40_000,
        "D/a.mov": 10,
        "d/B.MOV": 10,
        "caf\u00e9.mov": 20,
        "cafe\u0301.mov": 30,
        "what?.mov": 10,
        "N" * 255: 10,
        "plain.mov": 0,
    }
    bench = make_bench(memory_path, tree, folders=())
    copied = offload(bench.card, [exfat, bench.two])
    check_promises(copied, files_below(bench.card))
    assert not copied.stopped
    refused = {refusal.path: type(refusal.error) for refusal in copied.plan.refusals}
    assert refused == {"D/a.mov": ConflictError, "d/B.MOV": ConflictError, "what?.mov": RefusedFileError}
    for path, state in states(copied, 0).items():
        assert state is (None if path in refused else CopyState.VERIFIED), path
    assert all_verified(copied, 1)
    there = {path.name for path in (exfat / REEL).rglob("*") if path.is_file()}
    assert there == {"A.MOV", "caf\u00e9.mov", "cafe\u0301.mov", "N" * 255, "plain.mov"}
    again = run_plan(plan_of(bench.card, [exfat, bench.two], prove_again=True))
    assert all(states(again, 0)[path] is CopyState.VERIFIED for path in tree if path not in refused)
