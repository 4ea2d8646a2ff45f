"""`outline` at the command line."""

from __future__ import annotations

from pathlib import Path

import pytest

from api.cli.main import run
from shared.db import make_sessions, open_catalogue, writing
from shared.errors import EXIT_ERROR, EXIT_USAGE
from shared.models import ClipCue, ClipMedia, ClipTranscript, Moment, TranscriptOrigin
from tests.api.test_cli_plan import Shell
from tests.factories import make_clip, make_production, make_reel


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Shell:
    """An interview with three cues, a clip with a moment, and no outline."""
    home = tmp_path / "house"
    home.mkdir()
    monkeypatch.setenv("RUSHLIGHT_HOME", str(home))
    engine = open_catalogue(f"sqlite:///{home / 'catalogue.db'}")
    with writing(make_sessions(engine)) as session:
        reel = make_reel(session, make_production(session), name="A001")
        talk = make_clip(session, reel, "C0001.MP4", frames=500, start_frame=90_000)
        other = make_clip(session, reel, "C0002.MP4")
        make_clip(session, reel, "P0001.JPG", media=ClipMedia.IMAGE, rate_num=None, rate_den=None)
        session.add(Moment(clip_id=other.id, in_frame=10, out_frame=60, name="the quay"))
        transcript = ClipTranscript(clip_id=talk.id, origin=TranscriptOrigin.IMPORTED)
        session.add(transcript)
        session.flush()
        for n, text in enumerate(("The river decides,", "not the timetable.", "We wait.")):
            times = {"start_frame": n * 50, "end_frame": n * 50 + 50, "start_us": n * 2_000_000}
            session.add(
                ClipCue(transcript_id=transcript.id, clip_id=talk.id, end_us=n * 2_000_000 + 2_000_000,
                        text=text, speaker="Ada Wren", **times)
            )  # fmt: skip
    engine.dispose()
    return Shell(home, capsys)


def test_an_outline_is_made_ordered_kept_and_returned_to(shell: Shell) -> None:
    run(["narration", "text=At dawn the ferry goes."])
    shell.run("outline", "new", "The film", "--target", "20")
    assert "stitched" in shell.run("outline", "add", "quote", "--cues", "1,3")
    shell.run("outline", "add", "quote", "A001/C0001", "01:00:04:00", "01:00:06:00")
    shell.run("outline", "add", "scene", "--moment", "1", "--note", "at first light")
    shell.run("outline", "add", "narration", "N1")
    shell.run("outline", "add", "music", "Low strings", "--seconds", "4", "--mood", "calm")
    shell.run("outline", "add", "title", "1932", "--seconds", "2.5", "--at", "1")
    whole = shell.json("outline")
    assert [(one["kind"], one["frames"]) for one in whole["items"]] == [
        ("title", 63), ("quote", 100), ("quote", 50), ("scene", 50), ("narration", 50), ("music", 100),
    ]  # fmt: skip
    assert whole["items"][1]["words"] == "The river decides, … We wait."
    assert (whole["items"][2]["parts"][0]["in"], whole["items"][2]["words"]) == (100, "We wait.")
    assert "used-twice" in {one["code"] for one in whole["notices"]}
    shell.run("outline", "keep", "rough")
    assert "checked by" in shell.run("outline", "check", "2")
    shell.run("outline", "move", "6", "1")
    shell.run("outline", "trim", "4", "100", "120")
    shell.run("outline", "cover", "4", "A001/C0002", "0", "10", "--offset", "5")
    shown = shell.run("outline", "show", "the film")
    assert "   1  music" in shown and "wanted 0:20" in shown and "Ada Wren: there is no release" in shown
    assert [one["name"] for one in shell.json("outline", "versions")] == ["rough"]
    found = shell.json("outline", "compare", "rough")
    assert [(one["what"], one["frames"]) for one in found["changes"]] == [
        ("moved", 0), ("changed", 0), ("trimmed", -30),
    ]  # fmt: skip
    assert "running time -30 frames, -1.20 s" in shell.run("outline", "compare", "rough", "now")
    shell.run("outline", "return", "rough")
    assert shell.json("outline")["items"] == whole["items"]
    shell.run("undo")
    assert shell.json("outline")["items"][0]["kind"] == "music"
    shell.run("outline", "remove", "1")
    shell.run("outline", "cover", "3", "--clear")
    assert len(shell.json("outline")["items"]) == 5
    shell.run("outline", "remove", "--whole")
    assert shell.json("outline", "list") == []
    shell.run("undo")
    assert shell.json("outline", "list")[0]["items"] == 5


def test_a_photograph_stands_for_seconds(shell: Shell) -> None:
    shell.run("outline", "new", "The film")
    shell.run("outline", "add", "scene", "P0001", "--seconds", "4")
    shell.run("outline", "add", "scene", "C0002")
    shell.run("outline", "cover", "2", "P0001", "--seconds", "1.5", "--offset", "5")
    first, second = shell.json("outline")["items"]
    assert (first["frames"], first["length_is"]) == (100, "set")
    assert [(one["out"], one["at"]) for one in second["covers"]] == [(1500, 5)]
    shell.run("outline", "trim", "1", "--seconds", "2.5")
    assert shell.json("outline")["items"][0]["frames"] == 63
    for words in (
        ("trim", "1"),
        ("trim", "1", "0", "50"),
        ("trim", "2", "--seconds", "4"),
        ("add", "scene", "P0001", "0", "50"),
        ("add", "quote", "P0001", "--seconds", "4"),
    ):
        said = shell.run("outline", *words, expect=EXIT_USAGE)
        assert said.startswith("error: ") and "\n  " in said, words


def test_what_is_not_understood_says_how_it_is_written(shell: Shell) -> None:
    assert "outline new" in shell.run("outline", expect=EXIT_ERROR)
    shell.run("outline", "new", "The film")
    for words in (
        ("dance",),
        ("add",),
        ("add", "poem"),
        ("add", "quote", "A001/C0001", "1"),
        ("add", "title", "1932"),
        ("add", "title", "1932", "--seconds", "soon"),
        ("add", "quote", "--cues", "9-1"),
        ("move", "one", "2"),
        ("check", "1", "2"),
    ):
        said = shell.run("outline", *words, expect=EXIT_USAGE)
        assert said.startswith("error: ") and "\n  " in said, words
    shell.run("outline", "move", "1", "2", expect=EXIT_ERROR)
