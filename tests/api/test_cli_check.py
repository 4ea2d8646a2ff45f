"""`rushlight check`: what it prints for people and for programs, and its exit codes."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from api.cli.check import seconds_of
from api.cli.main import run
from shared.db import Sessions
from shared.errors import UsageError
from shared.models import CopyState
from tests.ingest.check_support import FOLDER, Shelf, flip_bit, list_files, make_shelf, write_files
from tests.ingest.copy_support import make_card

TREE = {"DCIM/A.MOV": 5_000, "DCIM/B.MOV": 300, "notes.txt": 20}


@pytest.fixture
def shelf(catalogue: Sessions, catalogue_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    monkeypatch.setenv("RUSHLIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("RUSHLIGHT_DATABASE", catalogue_url)
    return make_shelf(catalogue, tmp_path, TREE)


def as_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict[str, Any]]:
    code = run(["check", *arguments, "--json"])
    return code, json.loads(capsys.readouterr().out)


# --- exit codes ------------------------------------------------------------------------------------------


def test_exit_codes(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check"]) == 0
    (shelf.top() / "extra.txt").write_bytes(b"extra alone harms no copy")
    assert run(["check"]) == 0
    assert "extra: " in capsys.readouterr().out
    flip_bit(shelf.copy("DCIM/A.MOV"))
    assert run(["check"]) == 4
    assert run(["check", "--repair"]) == 0
    assert run(["check"]) == 0
    shelf.copy("DCIM/B.MOV").unlink()
    assert run(["check"]) == 4
    shutil.rmtree(shelf.drives[1])
    assert run(["check"]) == 4, "a bad copy weighs more than a drive that is not there"
    assert run(["check", str(shelf.drives[1])]) == 3
    assert run(["check", "Z999"]) == 1
    assert run(["check", "--budget", "soon"]) == 2
    assert run(["check", "--no-such-option"]) == 2


def test_a_hash_list_that_can_not_be_relied_on_is_4(shelf: Shelf, tmp_path: Path) -> None:
    bare = tmp_path / "bare"
    write_files(bare, {"a.wav": b"one"})
    list_files(bare, {"a.wav": b"one"})
    assert run(["check", str(bare)]) == 0
    (bare / "ascmhl/ascmhl_chain.xml").write_text("<no chain")
    assert run(["check", str(bare)]) == 4


def test_a_bare_folder_needs_no_catalogue(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RUSHLIGHT_HOME", str(tmp_path / "new home"))
    write_files(tmp_path / "bare", {"a.wav": b"one"})
    list_files(tmp_path / "bare", {"a.wav": b"one"})
    assert run(["check", str(tmp_path / "bare")]) == 0
    flip_bit(tmp_path / "bare/a.wav")
    assert run(["check", str(tmp_path / "bare")]) == 4


def test_what_an_offload_left_is_sound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The real thing: a card, an offload, a second offload with more on the card, checks in between."""
    monkeypatch.setenv("RUSHLIGHT_HOME", str(tmp_path / "home"))
    card, one, two = make_card(tmp_path / "card"), tmp_path / "one", tmp_path / "two"
    offload = ["offload", str(card), "--to", str(one), "--to", str(two)]
    assert run(offload) == 0
    assert run(["check"]) == 0
    (card / "DCIM/100/LATER.MOV").write_bytes(b"one more take")
    assert run(offload) == 0
    capsys.readouterr()
    code, found = as_json(capsys)
    assert (code, found["counts"]["verified"]) == (0, 14)
    assert {one["state"] for one in found["files"]} == {"verified"}
    assert found["problems"] == []
    (copy,) = two.rglob("LATER.MOV")
    flip_bit(copy)
    assert run(["check", str(two), "--repair"]) == 0
    assert copy.read_bytes() == b"one more take"


# --- for programs ----------------------------------------------------------------------------------------


def test_json(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    """The contract: these keys, every file, and nothing else on standard output."""
    flip_bit(shelf.copy("DCIM/A.MOV"))
    code, found = as_json(capsys, "--repair")
    assert code == found["exit_code"] == 0
    assert list(found) == [
        *("started_at", "seconds", "counts", "repaired", "bytes_read", "left", "exit_code"),
        *("folders", "problems", "files"),
    ]
    assert found["counts"] == {
        **dict.fromkeys(("missing", "moved", "unreadable", "unchecked", "extra"), 0),
        **dict.fromkeys(("set aside", "unfinished"), 0),
        "verified": 5,
        "differs": 1,
    }
    assert found["repaired"] == 1
    assert [(one["destination"], one["reel"], one["folder"]) for one in found["folders"]] == [
        (str(drive), "A001", FOLDER) for drive in shelf.drives
    ]
    assert len(found["files"]) == 6
    (mended,) = [one for one in found["files"] if one["state"] != "verified"]
    assert list(mended) == [
        *("destination", "reel", "path", "state", "size", "found_size", "algorithm", "expected", "found"),
        *("moved_to", "problem", "repair"),
    ]
    assert mended["repair"]["done"] is True


def test_json_of_a_check_of_nothing(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["new", "Another Film"]) == 0
    capsys.readouterr()
    assert as_json(capsys)[1]["files"] == []


def test_a_destination_by_the_name_the_settings_give_it(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RUSHLIGHT_DESTINATIONS", json.dumps({"north": str(shelf.drives[0])}))
    _, found = as_json(capsys, "north")
    assert {one["destination"] for one in found["files"]} == {str(shelf.drives[0])}


def test_oldest_and_budget(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    code, found = as_json(capsys, "--oldest", "--budget", "2h")
    assert (code, found["left"]["files"]) == (0, 0)


# --- for people ------------------------------------------------------------------------------------------


def test_the_report_names_everything_that_is_not_verified(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    flip_bit(shelf.copy("DCIM/A.MOV"))
    shelf.copy("DCIM/B.MOV", 1).unlink()
    shelf.copy("notes.txt").rename(shelf.copy("renamed.txt"))
    assert run(["check", "--repair"]) == 0
    said = capsys.readouterr()
    top = str(shelf.top())
    assert f"differs: {top}/DCIM/A.MOV: xxh128 differs: expected " in said.out
    assert (
        f"    repaired from {shelf.copy('DCIM/A.MOV', 1)}; the bad copy is kept as {top}/DCIM/A.MOV.bad-"
        in (said.out)
    )
    assert f"missing: {shelf.copy('DCIM/B.MOV', 1)}: it is not there" in said.out
    assert f"moved: {top}/notes.txt: it stands under another name: renamed.txt" in said.out
    assert "3 bad copies were repaired. Suspect the drive." in said.out
    assert said.out.rstrip().endswith("Everything is as it was recorded.")
    assert f"repairing in {top}" in said.err


def test_what_is_bad_is_said_last_with_the_remedy(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    flip_bit(shelf.copy("DCIM/A.MOV"))
    assert run(["check"]) == 4
    last = capsys.readouterr().out.rstrip().splitlines()[-1]
    assert (
        last == "1 copy is NOT what was recorded. `rushlight check --repair` writes them anew from good ones."
    )


def test_a_drive_that_is_not_there_is_one_line(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.rmtree(shelf.drives[0])
    assert run(["check"]) == 3
    said = capsys.readouterr().out
    assert said.count("is the drive plugged in?") == 2, "in its row, and in the problem with the remedy"
    assert said.rstrip().endswith("Not everything could be checked; the rest is as it was recorded.")


def test_many_bad_files_are_counted_and_not_all_printed(
    catalogue: Sessions, catalogue_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setenv("RUSHLIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("RUSHLIGHT_DATABASE", catalogue_url)
    shelf = make_shelf(catalogue, tmp_path, {f"{n:03}.wav": 9 for n in range(50)}, drives=1)
    for path in shelf.files:
        shelf.copy(path).unlink()
    (shelf.top() / "left").write_bytes(b"so that the folder is there")
    assert run(["check"]) == 4
    said = capsys.readouterr().out
    assert said.count("it is not there") == 39
    assert "… and 11 more; --json lists them all" in said


def test_a_hostile_name_does_not_reach_the_terminal(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    (shelf.top() / "\x1b[31mred\u202e[bold]\n.txt").write_bytes(b"x")
    assert run(["check"]) == 0
    said = capsys.readouterr().out
    assert "\x1b" not in said and "\u202e" not in said
    assert "\\u001b[31mred\\u202e[bold]\\u000a.txt" in said


# --- time and interruption -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "seconds"), [("30m", 1800), ("90s", 90), ("2h", 7200), ("1h30m", 5400), ("1h2m3s", 3723)]
)
def test_budgets(text: str, seconds: float) -> None:
    assert seconds_of(text) == seconds


@pytest.mark.parametrize("text", ["", "30", "m", "0m", "-5m", "1.5h", "30m2h", "five minutes", "30 m"])
def test_what_is_no_budget(text: str) -> None:
    with pytest.raises(UsageError, match="30m"):
        seconds_of(text)


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_by_a_signal_it_writes_down_what_it_knows(
    catalogue: Sessions, catalogue_url: str, tmp_path: Path, number: signal.Signals
) -> None:
    """A sparse file that is read slowly, so that the check is in the middle of it when the signal comes."""
    shelf = make_shelf(catalogue, tmp_path, {"a.wav": 9, "big.mov": 9}, drives=1)
    os.truncate(shelf.copy("big.mov"), 1 << 30)
    process = subprocess.Popen(
        [sys.executable, "-c", CHILD],
        env={**os.environ, "RUSHLIGHT_HOME": str(tmp_path / "home"), "RUSHLIGHT_DATABASE": catalogue_url},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    with process:
        assert process.stderr is not None and process.stdout is not None
        assert process.stderr.readline() == "reading big.mov\n"
        process.send_signal(number)
        said = process.stdout.read()
    assert process.returncode == 130
    assert "stopped: 1 files are left" in said
    row = shelf.row("a.wav")
    assert row.state is CopyState.VERIFIED and row.verified_at is not None
    assert [one.path for one in shelf.history().generations[-1].files] == ["a.wav"]


# The command, on a disk that says when it comes to the big file and reads it slowly.
CHILD = """
import sys, time
import ingest.check.run
from api.cli.main import run
from ingest.durable import Disk

class Slow(Disk):
    def open_copy(self, name, *, at):
        if name == "big.mov":
            print("reading big.mov", file=sys.stderr, flush=True)
        return super().open_copy(name, at=at)

    def read_into(self, handle, view):
        if self.size_and_times(handle).st_size == 1 << 30:
            time.sleep(0.05)
        return super().read_into(handle, view)

ingest.check.run.Disk = Slow
sys.exit(run(["check"]))
"""
