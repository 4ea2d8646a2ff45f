"""Selects, marks, sound map, release index and the folder's own hash list, each read by other means."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
from pathlib import Path
from types import SimpleNamespace

import opentimelineio as otio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from api.handover import HandoverReport
from api.handover.folder import Draft
from api.handover.selects import stretches_of
from api.handover.sums import write_sums
from shared.catalogue.releases import put_release, release_values
from shared.catalogue.rows import RowsEdit
from shared.models import ClipMedia, Production, Severity
from tests.api.handover_cases import HOSTILE, RATES, Scene
from tests.factories import (
    make_channel,
    make_entry,
    make_finding,
    make_microphone,
    make_pair,
    make_person,
)

needs_sha256sum = pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


def rows_of(report: HandoverReport, name: str) -> list[dict[str, str]]:
    text = (report.folder / name).read_bytes().decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def selects_of(report: HandoverReport) -> list[otio.schema.Clip]:
    timeline = otio.adapters.read_from_file(str(report.folder / "selects.otio"))
    return [clip for track in timeline.tracks for clip in track]


def span_of(item: otio.schema.Clip) -> tuple[float, float]:
    return item.source_range.start_time.value, item.source_range.duration.value


# -- the folder's own hash list ------------------------------------------------------------------------


def check_sums(folder: Path) -> subprocess.CompletedProcess[str]:
    """GNU coreutils, which knows nothing of this program."""
    command = ["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, env={"LC_ALL": "C"})


@needs_sha256sum
def test_an_outside_tool_finds_the_folder_whole_and_notices_a_changed_bit(scene: Scene) -> None:
    report = scene.hand_over(scene.add_clip(scene.add_reel("A001"), start_frame=90_000))
    listed = {line.split("  ", 1)[1] for line in (report.folder / "SHA256SUMS").read_text().splitlines()}
    assert listed == set(report.files) - {"SHA256SUMS"}, "every file but itself"
    assert (done := check_sums(report.folder)).returncode == 0, done.stderr
    changed = report.folder / "shot_log.csv"
    content = bytearray(changed.read_bytes())
    content[-5] ^= 1
    changed.write_bytes(content)
    done = check_sums(report.folder)
    assert done.returncode == 1 and "shot_log.csv: FAILED" in done.stdout


@needs_sha256sum
def test_odd_names_are_listed_as_the_tool_reads_them(tmp_path: Path) -> None:
    draft = Draft(tmp_path)
    for name in ("plain", "back\\slash", "line\nbreak", "tab\tand blank", "ünder/-dash", "not utf-8 \udcff"):
        draft.write(name, name.encode("utf-8", "surrogateescape"))
    write_sums(draft)
    assert (done := check_sums(tmp_path)).returncode == 0, done.stderr + done.stdout


# -- selects -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("num", "den", "drop", "start", "frames"), RATES)
def test_a_select_keeps_every_frame_at_every_rate(
    scene: Scene, num: int, den: int, drop: bool, start: int, frames: int
) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"), rate_num=num, rate_den=den, drop_frame=drop, start_frame=start, frames=frames
    )
    first, end = frames // 3, frames - frames // 4
    scene.add_moment(clip, first, end, "chosen")
    (item,) = selects_of(scene.hand_over(clip))
    assert span_of(item) == (start + first, end - first)
    assert item.source_range.start_time.rate == num / den, "the double nearest to the fraction"
    whole = item.media_reference.available_range
    assert (whole.start_time.value, whole.duration.value) == (start, frames), "the file is all there"


def test_what_is_a_select_and_what_is_not(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    names = ("marked", "circled", "good", "ng", "marked_ng", "circled_with_moment")
    clips = {name: scene.add_clip(reel, f"{name}.MOV", start_frame=1000) for name in names}
    for name, rating in (("circled", "circled"), ("good", "good"), ("ng", "ng"),
                         ("circled_with_moment", "circled")):  # fmt: skip
        make_entry(scene.session, clips[name], rating=rating)
    scene.add_moment(clips["marked"], 10, 20)
    scene.add_moment(clips["marked"], 15, 30)
    scene.add_moment(clips["ng"], 10, 20)
    scene.add_moment(clips["marked_ng"], 10, 20, rating="ng")
    scene.add_moment(clips["circled_with_moment"], 50, 60)
    found = [(item.name, *span_of(item)) for item in selects_of(scene.hand_over(*clips.values()))]
    assert found == [
        ("marked.MOV", 1010, 10),
        ("marked.MOV", 1015, 15),
        ("circled.MOV", 1000, 100),
        ("circled_with_moment.MOV", 1050, 10),
    ]


def test_a_select_over_two_files_is_two_items_without_a_gap(scene: Scene) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"), "C1.MOV", start_frame=500, frames=250, facts={"frames": 100}
    )
    scene.add_part(clip, "C2.MOV", frames=150, rate_num=25, rate_den=1)
    scene.add_moment(clip, 90, 120, "across")
    items = selects_of(scene.hand_over(clip))
    assert [(item.name, *span_of(item)) for item in items] == [("C1.MOV", 590, 10), ("C2.MOV", 600, 20)]
    assert [[(m.name, m.marked_range.duration.value) for m in item.markers] for item in items] == [
        [("across", 10)], [("across", 20)]
    ]  # fmt: skip


def test_without_a_select_there_is_no_such_file(scene: Scene) -> None:
    report = scene.hand_over(scene.add_clip(scene.add_reel("A001")))
    assert not {"selects.otio", "markers.csv", "release_index.csv"} & set(report.files)


# -- marks ---------------------------------------------------------------------------------------------


def test_moments_and_findings_are_marks_on_timeline_and_table(scene: Scene) -> None:
    """At 29.97 drop-frame, over a minute: SMPTE ST 12-1 drops ;00 and ;01."""
    clip = scene.add_clip(
        scene.add_reel("A001"), "C1.MOV", rate_num=30_000, rate_den=1001, drop_frame=True, start_frame=1798,
        frames=100,
    )  # fmt: skip
    scene.add_moment(clip, 1, 3, "=1+1", note="line\nbreak --> \u202eback")
    make_finding(scene.session, clip, code="soft", in_frame=10, out_frame=40, message="soft focus")
    make_finding(scene.session, clip, code="dead", severity=Severity.FAULT, message="no signal")
    make_finding(scene.session, clip, code="spans", severity=Severity.NOTE, message="a note")
    make_finding(scene.session, clip, code="gone", dismissed="looked at", message="dismissed")
    report = scene.hand_over(clip)
    rows = [tuple(row.values()) for row in rows_of(report, "markers.csv")]
    file = ("A001", "C1.MOV", str(clip.id))
    assert rows == [
        (*file, "00:00:59;28", "00:01:03;10", "0", "100", "0.000", "3.337", "finding", "fault: dead",
         "no signal", "red"),
        (*file, "00:00:59;29", "00:01:00;03", "1", "3", "0.033", "0.100", "moment", "'=1+1",
         "line\nbreak --> \\u202eback", "yellow"),
        (*file, "00:01:00;10", "00:01:01;10", "10", "40", "0.334", "1.335", "finding", "warning: soft",
         "soft focus", "orange"),
    ]  # fmt: skip
    (item,) = otio.adapters.read_from_file(str(report.folder / "timeline.otio")).tracks[0]
    marks = [
        (
            m.color,
            m.marked_range.start_time.value,
            m.marked_range.duration.value,
            m.metadata["rushlight"]["source"],
        )
        for m in item.markers
    ]
    assert marks == [
        ("RED", 1798, 100, "finding"),
        ("YELLOW", 1799, 2, "moment"),
        ("ORANGE", 1808, 30, "finding"),
    ]


# -- sound map -----------------------------------------------------------------------------------------


def test_the_sound_map_leads_from_channel_to_person_and_to_what_is_in_sync(scene: Scene) -> None:
    session, production = scene.session, scene.production
    picture = scene.add_clip(scene.add_reel("B001"), "C0001.MOV", facts={"audio_channels": 1})
    tracks = [{"channel": 1, "name": "=lav", "function": ""}, {"channel": 2, "name": "Boom", "function": ""}]
    sound = scene.add_clip(
        scene.add_reel("S001"), "T001.WAV", media=ClipMedia.AUDIO, rate_num=48_000, frames=480_000,
        facts={"samples": 480_000, "audio_rate": 48_000, "audio_channels": 2, "more": {"tracks": tracks}},
    )  # fmt: skip
    nell = make_person(session, production, "Nell Harrowby")
    lav = make_microphone(session, production, kind="lav")
    make_channel(session, sound, track="=lav", microphone_id=lav.id, person_id=nell.id)
    make_finding(session, sound, code="sound-no-signal", channel=2, message="no signal on channel 2")
    make_pair(session, picture, sound, offset_samples=-72_001, drift_ppb=12_500)
    report = scene.hand_over(picture, sound)
    channels = [row for row in rows_of(report, "sound_map/channels.csv") if row["reel"] == "S001"]
    keys = ("channel", "track in the file", "microphone", "kind", "person", "said by", "problems")
    assert [tuple(row[key] for key in keys) for row in channels] == [
        ("1", "'=lav", "Lavalier 1", "lav", "Nell Harrowby", "the log", ""),
        ("2", "Boom", "", "boom", "", "the file", "no signal on channel 2"),
    ]
    (pair,) = rows_of(report, "sound_map/pairs.csv")
    assert (pair["picture"], pair["sound"], pair["found by"], pair["state"]) == (
        "B001/C0001", "S001/T001", "sound", "suggested"
    )  # fmt: skip
    # Whole samples, and seconds as a number without a guard: 72,001 samples at 48 kHz are 1.50002 s.
    assert (pair["offset seconds"], pair["offset samples"]) == ("-1.5", "-72001")
    assert float(pair["drift ppm"]) == 12.5


# -- release index -------------------------------------------------------------------------------------


def test_the_release_index_says_how_each_stands_and_names_nobody(scene: Scene) -> None:
    session, production = scene.session, scene.production
    clip = scene.add_clip(scene.add_reel("A001"), "C1.MOV")
    people = [make_person(session, production, name) for name in ("Ada Wren", "Nell Harrowby", "Tam Orrin")]
    make_entry(session, clip, people=people, place="Winch house")
    edit = RowsEdit(session, production, "ada", "releases")
    for values in (
        {"who": "Ada Wren", "signed": "2026-05-01", "media": "online", "hide_face": "yes",
         "restrictions": "Only in the barn"},
        {"who": "Nell Harrowby", "kind": "minor", "signed": "2026-05-01"},
        {"kind": "place", "who": "winch house", "note": "ask Guardian Name"},
        {"kind": "work", "who": "A song nobody plays here"},
    ):  # fmt: skip
        put_release(edit, None, release_values(session, production, values))
    edit.close()
    report = scene.hand_over(clip)
    rows = rows_of(report, "release_index.csv")
    said = [
        (row["about"], row["standing"], row["media"], row["face must be hidden"], row["clips"])
        for row in rows
    ]
    assert said == [
        ("person", "cleared", "online", "yes", "A001/C1"),
        ("minor", "no guardian", "", "no", "A001/C1"),
        ("place", "unsigned", "", "no", "A001/C1"),
        ("person", "none on file", "", "", "A001/C1"),
    ]
    text = (report.folder / "release_index.csv").read_text().casefold()
    for name in ("Ada", "Wren", "Nell", "Tam", "Orrin", "barn", "Guardian Name", "winch", "song"):
        assert name.casefold() not in text, name


# -- hostile words ---------------------------------------------------------------------------------------


def test_hostile_names_reach_every_table_as_one_cell(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    clips = [scene.add_clip(reel, name, start_frame=0) for name in HOSTILE]
    for clip in clips:
        scene.add_moment(clip, 1, 9, "\t=cmd|' /C calc'!A0", note='"; =1+1\r\n@x')
    rows = rows_of(scene.hand_over(*clips), "markers.csv")
    assert len(rows) == len(clips)
    for row in rows:
        assert None not in row and len(row) == 13
        for cell in row.values():
            assert not cell.startswith(("=", "+", "-", "@", "\t", "\r")), cell
            assert "\u202e" not in cell and "\x1b" not in cell


@given(st.lists(st.tuples(st.integers(0, 99), st.integers(1, 100)), max_size=5))
def test_selects_lie_within_their_clip(ranges: list[tuple[int, int]]) -> None:
    marks = [
        SimpleNamespace(moment=SimpleNamespace(in_frame=first, out_frame=first + length), entry=None)
        for first, length in ranges
    ]
    shot = SimpleNamespace(clip=SimpleNamespace(frames=80), entry=None, marks=marks)
    found = stretches_of(shot)  # type: ignore[arg-type]
    assert all(0 <= first < end <= 80 for first, end in found)
    assert found == [(a, min(a + n, 80)) for a, n in ranges if a < 80]
