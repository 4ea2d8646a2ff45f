"""`transcript` at the command line: what goes in by name, what is refused and why, and what comes out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from api.cli.main import run
from shared.db import make_sessions, open_catalogue, writing
from shared.errors import EXIT_DONE, EXIT_ERROR, EXIT_PARTIAL, EXIT_USAGE
from tests.factories import make_clip, make_clip_file, make_facts, make_file, make_production, make_reel

TALK = (
    "WEBVTT\n\n00:01.000 --> 00:02.000\n<v NELL>The chane holds.\n\n00:02.000 --> 00:03.000\n<v NELL>Yes.\n"
)


class Shell:
    def __init__(self, capsys: pytest.CaptureFixture[str], files: Path) -> None:
        self._capsys, self.files = capsys, files

    def run(self, *words: str, expect: int = EXIT_DONE) -> str:
        self._capsys.readouterr()
        code = run(list(words))
        said = self._capsys.readouterr()
        assert code == expect, said.out + said.err
        return said.out + said.err

    def json(self, *words: str, expect: int = EXIT_DONE) -> Any:
        return json.loads(self.run(*words, "--json", expect=expect))

    def file(self, name: str, text: str = TALK) -> str:
        self.files.mkdir(exist_ok=True)
        (self.files / name).write_text(text, encoding="utf-8")
        return str(self.files / name)


@pytest.fixture
def shell(
    tmp_path: Path,
    migrated_file: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Shell:
    home = tmp_path / "house"
    home.mkdir()
    (home / "catalogue.db").write_bytes(migrated_file.read_bytes())
    monkeypatch.setenv("RUSHLIGHT_HOME", str(home))
    engine = open_catalogue(f"sqlite:///{home / 'catalogue.db'}")
    with writing(make_sessions(engine)) as session:
        reel = make_reel(session, make_production(session), name="A001")
        make_clip(session, reel, "C0001.MP4", rate_num=30000, rate_den=1001, start_frame=0)
        long = make_clip(session, reel, "C0002.MP4", frames=200)
        make_facts(session, long.files[0].file, frames=100)
        second = make_file(session, reel, "C0003.MP4")
        make_clip_file(session, long, second, ordinal=1)
        make_facts(session, second, frames=100)
    engine.dispose()
    return Shell(capsys, tmp_path / "talks")


def test_a_folder_goes_in_by_name_and_what_fits_nowhere_is_named(shell: Shell) -> None:
    shell.file("C0001.en.vtt")
    shell.file("C0002.vtt")
    shell.file("C0003.vtt", TALK + "\n")
    shell.file("C0009.vtt")
    shell.file("notes.md")
    shell.file("c0001.txt", "no times\n")
    found = shell.json("transcript", "add", str(shell.files), "--dry-run", expect=EXIT_PARTIAL)
    states = {Path(one["file"]).name: (one["state"], one.get("part")) for one in found["files"]}
    assert states == {
        "C0001.en.vtt": ("new", 0),
        "C0002.vtt": ("new", 1),  # beside C0003, the clip's second part
        "C0003.vtt": ("new", 2),
        "C0009.vtt": ("unmatched", None),
        "c0001.txt": ("refused", None),
    }
    assert shell.json("transcript") == []
    said = shell.run("transcript", "add", str(shell.files), expect=EXIT_PARTIAL)
    assert "C0009.vtt" in said and "--clip" in said and "Did you mean" in said
    rows = shell.json("transcript")
    assert [(row["name"], row["part"], row["cues"]) for row in rows] == [
        ("C0001", 0, 2),
        ("C0002", 1, 2),
        ("C0002", 2, 2),
    ]
    # Part 2 begins after the 100 frames of part 1.
    cues = shell.json("transcript", "show", "C0002")["cues"]
    assert [cue["start"] for cue in cues] == [25, 50, 125, 150]
    assert "nothing changed" in shell.run("transcript", "add", shell.file("C0001.en.vtt"))


def test_another_one_is_refused_until_it_may_replace(shell: Shell) -> None:
    shell.run("transcript", "add", shell.file("C0001.vtt"))
    (cue, _) = shell.json("transcript", "show", "C0001")["cues"]
    assert (cue["timecode"], cue["speaker"]) == ("00:00:01:00", "NELL")
    assert "The chain holds." in shell.run("transcript", "correct", str(cue["id"]), "The chain holds.")
    other = shell.file("C0001.srt", "1\n00:00:01,000 --> 00:00:02,000\nOther words\n")
    said = shell.run("transcript", "add", other, expect=EXIT_ERROR)
    assert "2 cues, 1 corrected by a person" in said and "--replace" in said
    assert "in place of one of C0001.vtt" in shell.run("transcript", "add", other, "--replace", "--dry-run")
    shell.run("transcript", "add", other, "--replace")
    assert "Other words" in shell.run("transcript", "write", "C0001")
    shell.run("undo")
    assert "The chain holds." in shell.run("transcript", "write", "C0001")


def test_a_speaker_is_named_and_words_are_written_out(shell: Shell, tmp_path: Path) -> None:
    shell.run("transcript", "add", shell.file("talk.vtt"), "--clip", "A001/C0001")
    assert "Nothing was written" in shell.run("transcript", "name", "nell", "Nell Harrowby", "--dry-run")
    assert shell.json("transcript", "name", "nell", "Nell Harrowby")["changed"] == 2
    assert shell.run("find", "person:harrowby", "says:hold").count("C0001") == 1
    # The frame nearest to 1 s at 30000/1001 is 30: it begins at 1.001 s.
    assert shell.run("transcript", "write", "C0001") == (
        "WEBVTT\n\n00:00:01.001 --> 00:00:02.002\n<v Nell Harrowby>The chane holds.\n\n"
        "00:00:02.002 --> 00:00:03.003\n<v Nell Harrowby>Yes.\n"
    )
    out = tmp_path / "out.srt"
    shell.run("transcript", "write", "C0001", str(out))
    assert out.read_text().startswith("1\n00:00:01,001 --> 00:00:02,002\nNell Harrowby: The")
    assert "nothing is written over" in shell.run("transcript", "write", "C0001", str(out), expect=EXIT_ERROR)
    assert "says: " in shell.run("find", "chane", "--why")
    shell.run("transcript", "remove", "C0001")
    assert shell.json("transcript") == []
    shell.run("undo")
    assert shell.json("transcript")[0]["people"] == ["Nell Harrowby"]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["sing"], EXIT_USAGE, "There are: list"),
        (["add"], EXIT_USAGE, "no file is named"),
        (["add", "missing.vtt"], EXIT_ERROR, "missing"),
        (["show", "C0001"], EXIT_ERROR, "has no transcript"),
        (["name", "Nell", "Nell"], EXIT_ERROR, "nobody is called"),
        (["correct", "12", "words"], EXIT_ERROR, "no cue 12"),
        (["write", "C0001", "a.pdf"], EXIT_USAGE, ".vtt, .srt, .txt"),
        (["remove", "C0009"], EXIT_ERROR, "no clip"),
    ],
)
def test_what_can_not_be_done_says_what_could(shell: Shell, words: list[str], code: int, says: str) -> None:
    assert says in shell.run("transcript", *words, expect=code)
