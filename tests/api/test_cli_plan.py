"""`plan`, `wish`, `narration`, `thresholds`, `answer`, `coverage`, `wrap`, `release` at the command line."""

from __future__ import annotations

import hashlib
import json
import stat
from pathlib import Path
from typing import Any

import pytest

from api.cli.main import run
from shared.backup import back_up
from shared.db import make_sessions, open_catalogue, writing
from shared.errors import EXIT_DONE, EXIT_ERROR, EXIT_USAGE, UsageError
from shared.release_files import keep_file
from shared.settings import load_settings
from tests.factories import (
    make_clip,
    make_copy,
    make_day,
    make_entry,
    make_person,
    make_production,
    make_reel,
)

PLAN = "## Opening\n> At 05:40 the ferry leaves.\n- must: hands on the wheel | size=cu day=1 seconds=3\n"


class Shell:
    def __init__(self, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.home, self._capsys = home, capsys

    def run(self, *words: str, expect: int = EXIT_DONE) -> str:
        self._capsys.readouterr()
        code = run(list(words))
        said = self._capsys.readouterr()
        assert code == expect, said.out + said.err
        return said.out + said.err

    def json(self, *words: str) -> Any:
        return json.loads(self.run(*words, "--json"))


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Shell:
    home = tmp_path / "house"
    home.mkdir()
    monkeypatch.setenv("RUSHLIGHT_HOME", str(home))
    engine = open_catalogue(f"sqlite:///{home / 'catalogue.db'}")
    with writing(make_sessions(engine)) as session:
        production = make_production(session)
        reel = make_reel(session, production, name="A001", day_id=make_day(session, production, number=1).id)
        hands, other = make_clip(session, reel, "C0001.MP4"), make_clip(session, reel, "C0002.MP4")
        nell = make_person(session, production, "Nell Harrowby")
        make_entry(session, hands, subject="her hands on the wheel", size="cu", rating="good", people=[nell])
        make_entry(session, other, subject="a gull", rating="ng")
        for _ in range(2):
            make_copy(session, hands.files[0].file)
    engine.dispose()
    return Shell(home, capsys)


def test_a_plan_goes_in_is_answered_and_wraps(shell: Shell, tmp_path: Path) -> None:
    file = tmp_path / "plan.md"
    file.write_text(PLAN)
    assert "Nothing was written" in shell.run("plan", str(file), "--dry-run")
    assert shell.json("wish") == []
    assert shell.json("plan", str(file))["added"] == ["N1", "W1"]
    assert "the same: 2" in shell.run("plan", str(file))
    shown = shell.json("plan")
    assert shown["narration"][0]["words"] == 6 and shown["wishes"][0]["status"] == "possible"
    assert "must-unconfirmed" in shell.run("wrap", "--day", "1", "--json")
    assert "C0001" in shell.run("answer")
    shell.run("answer", "W1", "A001/C0001")
    assert shell.json("answer", "W1")[0]["status"] == "covered"
    report = shell.json("wrap", "--day", "1")
    assert [line["code"] for line in report["groups"][1]["lines"]] == ["release-missing"]
    shell.run("answer", "W1", "A001/C0001", "--remove")
    shell.run("answer", "W1", "A001/C0001", "--no")
    assert shell.json("wish", "W1")[0]["status"] == "missing"
    shell.run("undo")
    assert shell.json("wish", "W1")[0]["status"] == "possible"
    file.write_text("- x | size=huge\n")
    assert f"{file}: line 1" in shell.run("plan", str(file), expect=EXIT_USAGE)


def test_wishes_and_lines_one_by_one(shell: Shell) -> None:
    shell.run("wish", "what=gulls", "need=nice", "day=1", "who=Ada Wren")
    assert "gulls" in shell.run("wish", "--day", "1") and "Ada Wren" in shell.run("wish", "W1")
    shell.run("wish", "W1", "dropped=no gulls today")
    assert shell.json("wish")[0]["status"] == "dropped"
    shell.run("wish", "W1", "--remove")
    assert shell.json("wish") == []
    shell.run("undo")
    assert [one["code"] for one in shell.json("wish")] == ["W1"]
    shell.run("narration", "text=" + "word " * 50, "beat=Opening")
    assert shell.json("narration")[0]["seconds"] == 20.0
    shell.run("thresholds", "pace=100")
    assert shell.json("narration")[0]["seconds"] == 30.0
    shell.run("narration", "N1", "--clip", "A001/C0001")
    (line,) = shell.json("narration")
    assert (line["seconds"], line["recorded"]) == (4.0, True)
    assert "recorded" in shell.run("narration")
    shell.run("narration", "N1", "--remove")
    for wrong in (["wish", "gulls"], ["narration", "N9"], ["answer", "W9"], ["wish", "W1", "W2", "day=1"]):
        shell.run(
            *wrong, expect=EXIT_USAGE if len(wrong) > 2 else EXIT_ERROR if wrong[1] != "gulls" else EXIT_DONE
        )
    shell.run("thresholds", "pase=100", expect=EXIT_USAGE)
    shell.run("thresholds", "pace=fast", expect=EXIT_USAGE)


def test_the_wrap_can_be_printed(shell: Shell) -> None:
    said = shell.run("wrap", "--day", "1")
    order = ["Not safe yet", "Can't be had later", "Damaged", "Thin", "Upkeep"]
    places = [said.index(head) for head in order]
    assert places == sorted(places) and max(map(len, said.splitlines())) <= 100
    assert "A001: 1 file of 2 with fewer than 2 verified copies" in said
    assert "common practice, no source" in said and "not legal advice" in said
    assert "no shooting day 7" in shell.run("wrap", "--day", "7", expect=EXIT_ERROR)
    assert "usable s" in shell.run("coverage") and shell.json("coverage")["cells"]


def test_a_release_with_its_paper(shell: Shell, tmp_path: Path) -> None:
    paper = tmp_path / "nell signed.PDF"
    paper.write_bytes(b"%PDF-1.7 signed")
    assert "not legal advice" in shell.run(
        "release", "who=Nell Harrowby", "signed=2026-05-01", "media=all", "--file", str(paper)
    )
    digest = hashlib.sha256(paper.read_bytes()).hexdigest()
    (one,) = shell.json("release")
    assert (one["standing"], one["file"], one["file_hash"]) == ("cleared", paper.name, f"sha256:{digest}")
    kept = shell.home / "releases" / f"{digest}.pdf"
    assert kept.read_bytes() == paper.read_bytes()
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert stat.S_IMODE(kept.parent.stat().st_mode) == 0o700
    assert shell.json("wrap", "--day", "1")["groups"][1]["lines"] == []
    shell.run("release", "1", "withdrawn=2026-05-02")
    assert shell.json("release")[0]["standing"] == "withdrawn"
    assert "withdrawn" in shell.run("wrap", "--day", "1")
    shell.run("release", "1", "--remove")
    assert shell.json("release") == []
    shell.run("undo")
    assert shell.json("release")[0]["file_hash"] == f"sha256:{digest}"
    made = back_up(load_settings(home=shell.home), tmp_path / "backup")
    assert (
        made.missing == ()
        and (tmp_path / "backup" / "releases" / kept.name).read_bytes() == paper.read_bytes()
    )
    kept.unlink()
    assert back_up(load_settings(home=shell.home), tmp_path / "other").missing == (f"releases/{kept.name}",)
    for wrong in (
        ["release", "signed=2026-05-01"],
        ["release", "who=X", "signed=tomorrow"],
        ["release", "x"],
    ):
        shell.run(*wrong, expect=EXIT_USAGE)


def test_a_damaged_paper_is_written_anew(tmp_path: Path) -> None:
    paper = tmp_path / "p.pdf"
    paper.write_bytes(b"signed")
    kept = keep_file(tmp_path / "home", paper)
    place = tmp_path / "home" / "releases" / kept.path
    place.write_bytes(b"rotten")
    assert keep_file(tmp_path / "home", paper) == kept and place.read_bytes() == b"signed"
    assert [one.name for one in place.parent.iterdir()] == [kept.path]
    paper.write_bytes(b"")
    with pytest.raises(UsageError, match="empty"):
        keep_file(tmp_path / "home", paper)
    with pytest.raises(UsageError, match="can't be read"):
        keep_file(tmp_path / "home", tmp_path / "none")
