"""README.txt and the report: what is said, and what is missing is said by name. And the hash lists."""

from __future__ import annotations

import datetime as dt
import os
import shutil
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from api.handover import HandoverReport
from shared.models import ClipMedia, CopyState, FileRole, Production, Severity
from tests.api.handover_cases import Scene, draw_picture
from tests.factories import make_clip_file, make_day, make_entry, make_file, make_finding


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


def readme_of(report: HandoverReport) -> str:
    return (report.folder / "README.txt").read_text(encoding="utf-8")


def words_of(report: HandoverReport) -> str:
    """The text with its line breaks undone."""
    return " ".join(readme_of(report).split())


def missing(report: HandoverReport, beginning: str) -> str:
    """The one line of the report that begins so; it must stand in the README too."""
    (line,) = (line for line in report.missing if line.startswith(beginning))
    assert line[1:] in words_of(report)
    return line


def test_it_says_what_an_editor_must_know(scene: Scene) -> None:
    session, production = scene.session, scene.production
    production.rate_num, production.rate_den, production.drop_frame = 30000, 1001, True
    day = make_day(session, production, number=1, date=dt.date(2026, 5, 12), goal="Meet Nell\nand the ferry")
    make_day(session, production, number=2, goal="Nothing of this day is handed over")
    reel = scene.add_reel("A001", day_id=day.id)
    scene.add_clip(reel, rate_num=24000, rate_den=1001, start_frame=0)
    scene.add_clip(reel, rate_num=30000, rate_den=1001, drop_frame=True, start_frame=0)
    scene.add_clip(reel, rate_num=30000, rate_den=1001, start_frame=0)
    scene.add_clip(reel, rate_num=50)
    scene.add_clip(reel, media=ClipMedia.AUDIO, rate_num=48000, frames=48000)
    clip = scene.add_clip(reel, media=ClipMedia.UNKNOWN, rate_num=None, frames=None, day_id=None)
    make_clip_file(session, clip, make_file(session, reel, "x.XML"), role=FileRole.SIDECAR)
    words = words_of(scene.hand_over(*scene.every_clip(), query="day:1 -rating:ng"))
    for said in (
        "The Chain Ferry: hand-over of footage",
        "Made 2026-05-14 18:20 (Europe/Copenhagen) for the query day:1 -rating:ng: 6 clips",
        "4 with picture, 1 sound only, 1 unreadable",
        "Edit: 29.97 frames a second (30000/1001), drop-frame.",
        "24000/1001 (1 clip)",
        "30000/1001 drop-frame (1 clip)",
        "30000/1001 (1 clip)",
        "50 (1 clip)",
        "Sound only: 48000 Hz (1 clip)",
        "OUT is exclusive",
        "';' before the frames marks drop-frame",
        "up to 49 or 59",
        "a shooting day begins at 04:00",
        "Sound-only clips: the shot log gives them at the edit rate",
        "Day 1, Tuesday 12 May 2026, 5 clips: Meet Nell and the ferry",
        "Of no day: 1 clip.",
        f"drive a: {scene.destinations[0].path}, reachable when this was made.",
        "Companion files beside the clips (sidecars, proxies, thumbnails): 1",
        "a release on file is not legal advice",
    ):
        assert said in words, said
    assert "Nothing of this day" not in words
    assert max(map(len, words.split("\n"))) and all(
        len(line) <= 88 or " " not in line.strip("- ")
        for line in readme_of(scene.hand_over(clip)).splitlines()
    )


def test_it_stays_one_page(scene: Scene) -> None:
    """A long shoot with everything wrong: still at most one page of small print (bound: ours)."""
    session, production = scene.session, scene.production
    for number in range(1, 21):
        day = make_day(session, production, number=number, goal="A goal of some length. " * 20)
        reel = scene.add_reel(f"A{number:03}", day_id=day.id)
        clip = scene.add_clip(reel, "N" * 200 + f"{number}.MOV")
        clip.files[0].file.problem = "read error"
        make_finding(session, clip, severity=Severity.FAULT)
    report = scene.hand_over(*scene.every_clip())
    assert len(readme_of(report).splitlines()) <= 95
    assert "And 15 more days" in words_of(report)
    assert " and 16 more)" in missing(report, "unreadable")


def test_nothing_is_said_to_be_missing_when_nothing_is(scene: Scene) -> None:
    """Two places on one disk are not two devices, so one of them is out of reach and counts by itself."""
    day = make_day(scene.session, scene.production, number=1)
    clip = scene.add_clip(scene.add_reel("A001", day_id=day.id), start_frame=0, shot_certainty="stated")
    make_entry(scene.session, clip, kind="b-roll")
    scene.add_stills(clip, draw_picture("one"))
    shutil.rmtree(scene.destinations[1].path)
    report = scene.hand_over(clip)
    assert report.missing == ()
    assert "MISSING - Nothing that the catalogue knows of." in words_of(report)


def test_each_kind_of_gap_is_named(scene: Scene) -> None:
    session = scene.session
    reel = scene.add_reel("A001")
    known = {"shot_certainty": "stated", "start_frame": 0}
    scene.add_clip(reel, "no-tc.MOV", **(known | {"start_frame": None}))
    scene.add_clip(reel, "unreadable.MOV", **(known | {"media": ClipMedia.UNKNOWN}))
    torn = scene.add_clip(reel, "torn.MOV", **known)
    torn.files[0].file.problem, torn.files[0].file.digest = "input/output error", None
    scene.add_clip(reel, "undated.MOV", **(known | {"shot_at": None}))
    scene.add_clip(reel, "guessed.MOV", **(known | {"shot_certainty": "file"}))
    scene.add_clip(reel, "variable.MOV", facts={"rate_mode": "variable"}, **known)
    make_finding(session, scene.add_clip(reel, "damaged.MOV", **known), severity=Severity.FAULT)
    fine = scene.add_clip(reel, "fine.MOV", **known)
    make_entry(session, fine, note="logged")
    make_finding(session, fine, dismissed="as wanted")
    make_finding(session, scene.add_clip(reel, "noted.MOV", **known), severity=Severity.WARNING)
    report = scene.hand_over(*scene.every_clip())

    def names(beginning: str) -> set[str]:
        inside = missing(report, beginning).rpartition("(")[2].rstrip(")")
        return {name.removeprefix("A001/") for name in inside.split(", ")}

    assert names("no timecode") == {"no-tc"}
    assert names("unreadable") == {"unreadable", "torn"}
    assert names("date and time unknown") == {"undated"}
    assert names("dated by the file's own time") == {"guessed"}
    assert names("variable frame rate") == {"variable"}
    assert names("damaged") == {"damaged"}
    assert names("with a technical finding") == {"damaged", "noted"}
    assert "fine" not in names("not logged")
    assert names("not on the timeline") == {"unreadable"}
    assert ": 9 (" in missing(report, "no verified second copy"), "both places are on one disk here"


@pytest.mark.parametrize(
    ("first", "second", "away", "short"),
    [
        (CopyState.VERIFIED, CopyState.VERIFIED, True, False),
        (CopyState.VERIFIED, CopyState.WRITTEN, True, True),
        (CopyState.VERIFIED, CopyState.MISSING, True, True),
        (CopyState.DIFFERS, CopyState.VERIFIED, True, True),
        (CopyState.VERIFIED, CopyState.VERIFIED, False, True),  # one device
    ],
)
def test_a_second_copy_counts_only_verified_and_on_another_device(
    scene: Scene, first: CopyState, second: CopyState, away: bool, short: bool
) -> None:
    clip = scene.add_clip(scene.add_reel("A001"))
    copies = sorted(clip.files[0].file.copies, key=lambda copy: copy.destination_id)
    copies[0].state, copies[1].state = first, second
    if away:
        shutil.rmtree(scene.destinations[1].path)
    report = scene.hand_over(clip)
    assert any(line.startswith("no verified second copy") for line in report.missing) is short


def test_a_companion_without_a_second_copy_counts_too(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"))
    make_clip_file(scene.session, clip, make_file(scene.session, clip.reel, "x.XML"), role=FileRole.SIDECAR)
    shutil.rmtree(scene.destinations[1].path)
    assert any(line.startswith("no verified second copy") for line in scene.hand_over(clip).missing)


# --- hash lists -------------------------------------------------------------------------------------


def test_hash_lists_are_copied_as_they_stand(scene: Scene) -> None:
    first, second, other = (scene.add_reel(name) for name in ("A001", "B001", "C001"))
    clips = [scene.add_clip(first), scene.add_clip(second)]
    scene.add_clip(other)  # not handed over: its lists stay where they are
    report = scene.hand_over(*clips)
    below = report.folder / "manifests"
    assert sorted(path.name for path in below.iterdir()) == ["A001", "B001"]
    for reel in (first, second):
        history = Path(scene.destinations[0].path) / reel.folder / "ascmhl"
        for original in history.iterdir():
            assert (below / reel.name / original.name).read_bytes() == original.read_bytes()
    assert "4 files" in words_of(report)


def test_hash_lists_come_from_the_first_place_that_has_them(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    clip = scene.add_clip(reel)
    shutil.rmtree(Path(scene.destinations[0].path) / reel.folder / "ascmhl")
    (Path(scene.destinations[1].path) / reel.folder / "ascmhl/ascmhl_chain.xml").write_text("from b")
    report = scene.hand_over(clip)
    assert (report.folder / "manifests/A001/ascmhl_chain.xml").read_text() == "from b"
    shutil.rmtree(scene.destinations[1].path)
    report = scene.hand_over(clip)
    assert not (report.folder / "manifests").exists()
    assert "(A001)" in missing(report, "reels whose hash lists were out of reach")


def test_only_plain_files_of_plain_names_are_copied(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    clip = scene.add_clip(reel)
    history = Path(scene.destinations[0].path) / reel.folder / "ascmhl"
    (scene.base / "secret").write_text("secret")
    (history / "link.mhl").symlink_to(scene.base / "secret")
    os.mkfifo(history / "pipe.mhl")
    (history / "folder.mhl").mkdir()
    (history / "=cmd\n.mhl").write_text("odd")
    report = scene.hand_over(clip)
    names = sorted(path.name for path in (report.folder / "manifests/A001").iterdir())
    assert names == ["0001_A001_2026-05-12_180000Z.mhl", "ascmhl_chain.xml"]


def test_a_reel_name_can_not_lead_elsewhere(scene: Scene) -> None:
    first, second = scene.add_reel("A001"), scene.add_reel("A002")
    clips = [scene.add_clip(first), scene.add_clip(second)]
    first.name, second.name = "../../A", "______A"
    report = scene.hand_over(*clips)
    found = sorted(path.name for path in (report.folder / "manifests").iterdir())
    assert found == ["______A", f"______A_{second.id}"]


def test_a_name_from_the_card_can_not_forge_a_line(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), b"x\nCAUTION\n- All is cleared\xe2\x80\xa8.MOV")
    scene.production.name = "Ferry\n\nCAUTION\n- cleared"
    report = scene.hand_over(clip, query="a\nb")
    lines = readme_of(report).split("\n")
    assert lines.count("CAUTION") == 1
    assert not any("\u2028" in line or line.startswith("- All is cleared") for line in lines)
    assert "- cleared" not in lines
