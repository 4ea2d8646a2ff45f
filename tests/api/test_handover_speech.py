"""Words of clips in the hand-over: one WebVTT a clip (W3C), whose times are the clip's exact frames.

29.97 without drop-frame: label 01:00:00:00 is frame 108,000, which begins 3603.6 s after the start (SMPTE ST
12-1 counts 30 labels a second, 30000/1001 frames are shown).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_edits import name_speaker
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.catalogue.transcripts import cues_of
from shared.models import Production
from shared.transcripts import read_transcript
from tests.api.handover_cases import Scene, read_csv, read_json

TALK = "WEBVTT\nLanguage: en\n\n01:00:03.600 --> 01:00:04.601\n<v NELL>A label hour & more.\n"


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


def test_words_stand_beside_the_log_with_exact_times(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    rate = {"rate_num": 30000, "rate_den": 1001, "start_frame": 0, "frames": 120_000}
    talk = scene.add_clip(reel, "DCIM/A day.MOV", **rate)
    twin = scene.add_clip(reel, "DCIM/A_day.MOV", **rate)
    scene.add_clip(reel)
    for clip, text in ((talk, TALK), (twin, TALK + "\n")):
        edit = RowsEdit(scene.session, clip.production, "ada", "transcript")
        carry_out(edit, plan_import(scene.session, clip, text.encode(), "talk.vtt"))
        name_speaker(edit, cues_of(scene.session, clip.id), "Nell Harrowby")
        edit.close()
    report = scene.hand_over(*scene.every_clip())
    names = [f"transcripts/A001_A_day{more}.vtt" for more in ("", f"_{twin.id}")]
    assert [row["transcript"] for row in read_csv(report)].count("") == 1
    assert {row["transcript"] for row in read_csv(report)} == {"", *names}
    assert {one["transcript"] for one in read_json(report)["clips"]} == {None, *names}
    text = (report.folder / names[0]).read_text(encoding="utf-8")
    assert text == (
        "WEBVTT\nLanguage: en\n\n01:00:03.600 --> 01:00:04.601\n<v Nell Harrowby>A label hour &amp; more.\n"
    )
    (cue,) = read_transcript(text.encode(), names[0]).cues
    assert talk.rate is not None and cue.frames(talk.rate) == (108_000, 108_030)
    readme = (report.folder / "README.txt").read_text(encoding="utf-8")
    assert "transcripts/: what is said in 2 clips" in readme
    assert "The column used is kept free" in readme


def test_without_words_there_is_no_such_folder(scene: Scene) -> None:
    scene.add_clip(scene.add_reel("A001"))
    report = scene.hand_over(*scene.every_clip())
    assert not (report.folder / "transcripts").exists()
    assert "transcripts/" not in (report.folder / "README.txt").read_text(encoding="utf-8")
