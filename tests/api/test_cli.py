"""The main job through the command, as a person with a card and two drives would do it."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import opentimelineio as otio
import pytest

from sample_media.production import load_production
from sample_media.recipe import make_card
from shared.errors import EXIT_DONE, EXIT_INTEGRITY, EXIT_PARTIAL, EXIT_USAGE


class Shell:
    """Runs `rushlight` in a home folder of its own; it measures only where a test is about that."""

    def __init__(self, home: Path, *, measure: bool = False) -> None:
        self.home = home
        self.measure = measure

    def run(self, *words: str | Path, expect: int = EXIT_DONE) -> subprocess.CompletedProcess[str]:
        result = subprocess.run(
            [sys.executable, "-m", "api.cli", *map(str, words)],
            env={**os.environ, "RUSHLIGHT_HOME": str(self.home), "RUSHLIGHT_MEASURE": str(self.measure)},
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert result.returncode == expect, result.stdout + result.stderr
        return result

    def json(self, *words: str | Path, expect: int = EXIT_DONE) -> Any:
        return json.loads(self.run(*words, "--json", expect=expect).stdout)


@pytest.fixture(scope="module")
def made_card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One sample card of the main camera: an interview in two files among other clips."""
    production = load_production()
    card = next(card for card in production.cards if card.reel == "A001")
    return make_card(production, card, tmp_path_factory.mktemp("cards")).path


@pytest.fixture
def card(made_card: Path, tmp_path: Path) -> Path:
    shutil.copytree(made_card, tmp_path / "A01", copy_function=shutil.copy2)
    return tmp_path / "A01"


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[Shell]:
    for name in ("one", "two", "editor"):
        (tmp_path / name).mkdir()
    shell = Shell(tmp_path / "home")
    shell.run("new", "The Chain Ferry", "--rate", "25", "--zone", "Europe/London")
    shell.run("camera", "A", "--clock", "utc")
    yield shell


def state_of(path: Path) -> dict[str, tuple[bytes, int, int, int]]:
    """Content and every time of everything below: what must not change on a card."""
    stat = path.stat()  # before it is read: our own reading is no change, and is set back below
    content = path.read_bytes() if path.is_file() else b""
    found = {str(path): (content, stat.st_mtime_ns, stat.st_atime_ns, stat.st_size)}
    for child in sorted(path.iterdir()) if path.is_dir() else ():
        found |= state_of(child)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    return found


def offload(shell: Shell, card: Path, tmp_path: Path, **options: int) -> Any:
    return shell.json(
        "offload", card, "--to", tmp_path / "one", "--to", tmp_path / "two", "--camera", "A", **options
    )


@pytest.mark.slow
def test_from_card_to_hand_over(shell: Shell, card: Path, tmp_path: Path) -> None:
    shell.measure = True
    before = state_of(card)
    report = offload(shell, card, tmp_path)
    assert state_of(card) == before

    assert report["reel"] == "A001"
    assert {copy["state"] for file in report["files"] for copy in file["copies"]} == {"verified"}
    assert report["verdict"]["may_be_formatted"] is False  # one disk: an honest no
    assert report["verdict"]["reasons"]
    on_card = {str(p.relative_to(card)) for p in card.rglob("*") if p.is_file()}
    assert {file["path"] for file in report["files"]} == on_card

    found = shell.json("find")
    names = [clip["name"].rsplit("/", 1)[-1] for clip in found["clips"]]
    assert names == ["FERA0001", "FERA0002", "FERA0003", "FERA0005", "FERA0006"]
    spanned = found["clips"][2]
    assert [f["path"].rsplit("/", 1)[-1] for f in spanned["files"]] == ["FERA0003.MOV", "FERA0004.MOV"]

    shell.run("log", "FERA0003", "kind=interview", "size=close up", "person=Nell Harrowby", "rating=circled")
    shell.run("log", "--where", "-kind:interview", "--yes", "kind=b-roll")
    assert [clip["id"] for clip in shell.json("find", "harrowby")["clips"]] == [spanned["id"]]
    assert shell.json("find", "kind:interview", "size:cu")["total"] == 1
    assert shell.json("find", "-kind:interview")["total"] == 4

    folder = Path(shell.json("handover", "--to", tmp_path / "editor", "--leave-out", "contacts")["folder"])
    with (folder / "shot_log.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["file name"] for row in rows][2] == "FERA0003.MOV"
    timeline = otio.adapters.read_from_file(str(folder / "timeline.otio"))
    clips = list(timeline.find_clips())
    assert len(clips) == 6  # the spanned one is two items
    by_name = {row["file name"]: row for row in rows}
    for clip in clips:
        row = by_name.get(clip.name)
        if row is not None and not row["all file names"]:
            assert round(clip.source_range.start_time.value) == int(row["start frame"])
            assert round(clip.source_range.duration.value) == int(row["duration frames"])


@pytest.mark.skipif(shutil.which("xxhsum") is None, reason="xxhsum (Debian package xxhash) is not installed")
def test_every_hash_agrees_with_xxhsum(shell: Shell, card: Path, tmp_path: Path) -> None:
    report = offload(shell, card, tmp_path)
    sums = "".join(f"{file['hash']['value']}  {file['path']}\n" for file in report["files"])
    folder = Path(report["destinations"][0]["folder"])
    checked = subprocess.run(
        ["xxhsum", "-c", "-"], cwd=folder, input=sums, capture_output=True, text=True, check=False
    )
    assert checked.returncode == 0, checked.stdout
    assert checked.stdout.count(": OK") == len(report["files"])


def test_a_second_offload_copies_only_what_is_new(shell: Shell, card: Path, tmp_path: Path) -> None:
    first = offload(shell, card, tmp_path)
    (card / "late.txt").write_text("one more")
    second = offload(shell, card, tmp_path)
    assert second["reel"] == first["reel"]
    assert second["bytes_written"] == 2 * len("one more")
    assert len(second["files"]) == len(first["files"]) + 1
    assert shell.json("find")["total"] == 5


def test_a_flipped_bit_in_a_copy_is_named(shell: Shell, card: Path, tmp_path: Path) -> None:
    report = offload(shell, card, tmp_path)
    victim = Path(report["destinations"][1]["folder"]) / "DCIM/100FERRY/FERA0001.MOV"
    flipped = bytearray(victim.read_bytes())
    flipped[len(flipped) // 2] ^= 1
    stat = victim.stat()
    victim.write_bytes(flipped)
    os.utime(victim, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    words = ("offload", card, "--to", tmp_path / "one", "--to", tmp_path / "two")
    again = shell.json(*words, expect=EXIT_INTEGRITY)
    copies = [p for p in again["problems"] if p["kind"] == "copy"]
    assert [p["path"] for p in copies] == [str(victim)]
    assert victim.read_bytes() == flipped  # what stands there is never overwritten
    states = {f["path"]: [c["state"] for c in f["copies"]] for f in again["files"]}
    assert states["DCIM/100FERRY/FERA0001.MOV"] == ["verified", "differs"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount a small file system")
def test_a_full_drive_stops_and_the_other_is_complete(shell: Shell, card: Path, tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(small)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("this machine lets nobody mount a small file system")
    try:
        report = shell.json("offload", card, "--to", small, "--to", tmp_path / "two", expect=EXIT_PARTIAL)
    finally:
        subprocess.run(["umount", str(small)], check=True)
    assert any(p["kind"] == "destination" and str(small) in p["path"] for p in report["problems"])
    assert {file["copies"][1]["state"] for file in report["files"]} == {"verified"}


def test_errors_name_the_remedy(shell: Shell, tmp_path: Path) -> None:
    missing = shell.run("offload", tmp_path / "nowhere", "--to", tmp_path / "one", expect=EXIT_USAGE)
    assert "Name the folder at which the card is mounted" in missing.stderr
    unknown = shell.run("find", "colour:red", expect=EXIT_USAGE)
    assert "kind" in unknown.stderr and "^" in unknown.stderr
    value = shell.run("find", "size:enormous", expect=EXIT_USAGE)
    assert "mcu" in value.stderr
    shell.run("no-such-command", expect=EXIT_USAGE)
    again = shell.run("new", "The Chain Ferry", expect=1)
    assert "already" in again.stderr


def test_output_for_programs_is_nothing_but_json(shell: Shell, card: Path, tmp_path: Path) -> None:
    result = shell.run("offload", card, "--to", tmp_path / "one", "--json")
    assert json.loads(result.stdout)["state"] == "done"
    assert "warning" in result.stderr


def test_the_command_starts_without_the_heavy_libraries() -> None:
    heavy = "{'av', 'numpy', 'scipy', 'PIL', 'fastapi', 'opentimelineio'}"
    code = f"import sys, api.cli; print(sorted({heavy} & set(sys.modules)))"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
