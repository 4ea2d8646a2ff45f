"""The shot log: RFC 4180, columns, exclusive OUT, cells that nothing runs, and the raw twin."""

from __future__ import annotations

import datetime as dt
import json
from fractions import Fraction
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from api.handover.cells import BOM
from api.handover.columns import COLUMNS
from api.handover.text import round_ms
from shared.models import ClipMedia, CopyState, Production
from shared.timecode import Rate, Timecode
from tests.api.handover_cases import HOSTILE, RATES, Scene, read_csv, read_json
from tests.api.test_handover_cells import parse_strictly
from tests.factories import make_camera, make_day, make_entry, make_finding, make_lens, make_person, make_tag


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


# --- the file ---------------------------------------------------------------------------------------


def test_csv_is_rfc_4180_with_a_byte_order_mark(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    clip = scene.add_clip(reel, 'DCIM/a "quoted", name.MOV')
    make_entry(scene.session, clip, note='She says "now",\r\nthen\rwaits;\n\tturns\x00 round', place="")
    scene.add_clip(reel)
    report = scene.hand_over(*scene.every_clip())
    data = (report.folder / "shot_log.csv").read_bytes()
    assert data.startswith(BOM)
    records = parse_strictly(data[len(BOM) :])
    assert records[0] == [column.title for column in COLUMNS]
    assert {len(record) for record in records} == {len(COLUMNS)}, "the same number of fields in each record"
    assert [dict(zip(records[0], record, strict=True)) for record in records[1:]] == read_csv(report)
    (row,) = (row for row in read_csv(report) if row["description"])
    assert row["file name"] == 'a "quoted", name.MOV'
    assert row["description"] == 'She says "now",\nthen\nwaits;\n turns\\u0000 round'


def test_columns_have_one_key_and_one_title_each() -> None:
    assert (
        len({column.key for column in COLUMNS}) == len({column.title for column in COLUMNS}) == len(COLUMNS)
    )


# --- what the rows say ------------------------------------------------------------------------------


@pytest.mark.parametrize(("num", "den", "drop", "start", "frames"), RATES)
def test_every_frame_is_the_catalogues(
    scene: Scene, num: int, den: int, drop: bool, start: int, frames: int
) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"), rate_num=num, rate_den=den, drop_frame=drop, start_frame=start, frames=frames
    )
    report = scene.hand_over(clip)
    (row,) = read_csv(report)
    rate = Rate(num, den)
    day = rate.frames_per_day(drop)
    tc_in = Timecode.parse(row["tc in"], rate)
    tc_out = Timecode.parse(row["tc out (exclusive)"], rate)
    assert (tc_in.frames, tc_in.drop_frame) == (start, drop)
    # OUT is exclusive: out - in is the duration, and the frame at OUT is not part of the clip.
    assert (tc_out.frames - tc_in.frames) % day == frames == int(row["duration frames"])
    assert Timecode.parse(row["duration tc"], rate).frames == frames
    assert row["start frame"] == str(start)
    assert row["frame rate"] == f"{num}/{den} {'DF' if drop else 'NDF'}".replace("/1 ", " ")
    exact = Fraction(frames * den, num)
    assert abs(Fraction(row["duration seconds"]) - exact) <= Fraction(1, 2000), "rounded to the millisecond"
    (twin,) = read_json(report)["clips"]
    assert (twin["start_frame"], twin["duration_frames"]) == (start, frames)
    assert (twin["tc_in"], twin["tc_out"]) == (row["tc in"], row["tc out (exclusive)"])
    assert twin["duration_seconds"] == float(row["duration seconds"])


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (Fraction(0), "0.000"),
        (Fraction(1001, 24000), "0.042"),
        (Fraction(1, 2000), "0.001"),
        (Fraction(9999, 10000), "1.000"),
        (Fraction(25 * 1001, 30000), "0.834"),
        (Fraction(3600), "3600.000"),
    ],
)
def test_seconds_are_rounded_from_the_fraction(seconds: Fraction, text: str) -> None:
    assert round_ms(seconds) == text


def test_unknown_stays_empty(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    scene.add_clip(reel, "no timecode.MOV", start_frame=None)
    scene.add_clip(reel, "unreadable.MOV", media=ClipMedia.UNKNOWN, rate_num=None, rate_den=None, frames=None)
    scene.add_clip(reel, "no time.MOV", shot_at=None, rate_num=None, frames=None)
    report = scene.hand_over(*scene.every_clip())
    rows = {row["file name"]: row for row in read_csv(report)}
    assert rows["no timecode.MOV"]["tc in"] == rows["no timecode.MOV"]["start frame"] == ""
    assert rows["no timecode.MOV"]["frame rate"] == "25", "no way of counting where there is no timecode"
    assert rows["no timecode.MOV"]["duration frames"] == "100"
    for name in ("unreadable.MOV", "no time.MOV"):
        for title in ("tc in", "tc out (exclusive)", "duration frames", "duration seconds", "frame rate"):
            assert rows[name][title] == ""
    assert rows["no time.MOV"]["date"] == rows["no time.MOV"]["shot at"] == ""
    assert (
        next(row for row in read_json(report)["clips"] if row["shot_at"] is None)["duration_frames"] is None
    )


def test_rows_are_in_time_order_and_each_clip_stands_once(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    late = scene.add_clip(reel, "late.MOV", shot_at=dt.datetime(2026, 5, 13, tzinfo=dt.UTC))
    never = scene.add_clip(reel, "never.MOV", shot_at=None)
    early = scene.add_clip(reel, "early.MOV", shot_at=dt.datetime(2026, 5, 12, tzinfo=dt.UTC))
    report = scene.hand_over(late, never, early, late)
    assert [row["file name"] for row in read_csv(report)] == ["early.MOV", "late.MOV", "never.MOV"]
    assert report.clips == 3


def test_everything_logged_and_known_is_there(scene: Scene) -> None:
    session, production = scene.session, scene.production
    day = make_day(session, production, number=2, date=dt.date(2026, 5, 12))
    camera = make_camera(session, production, letter="B", name="Second body")
    reel = scene.add_reel("B001", camera_id=camera.id, day_id=day.id)
    clip = scene.add_clip(
        reel,
        "CLIP/C0001.MP4",
        lens_id=make_lens(session, production, "20 mm f/2.8").id,
        shot_at=dt.datetime(2026, 5, 12, 23, 30, tzinfo=dt.UTC),  # after midnight by the wall
        shot_certainty="stated",
        start_frame=90000,
        facts={
            "width": 3840,
            "height": 2160,
            "rotation": 90,
            "bit_depth": 10,
            "chroma": "4:2:2",
            "transfer": "HLG",
            "colour_primaries": "BT.2020",
            "audio_channels": 2,
            "audio_rate": 48000,
            "audio_bits": 24,
            "more": {"declared": {"ISO": "800", "ShutterSpeed": "1/50", "FocalLength": 20, "Note": "x"}},
        },
    )
    make_entry(
        session,
        clip,
        people=[make_person(session, production, "Nell Harrowby"), make_person(session, production, "Ada")],
        tags=[make_tag(session, production, "winch")],
        kind="interview",
        size="mcu",
        rating="ng",
        reason="focus",
        audio="lav",
        place="Wheelhouse",
        subject="Nell speaks",
        scene="Opening",
        note="Chain in the background",
    )
    make_finding(session, clip)
    make_finding(session, clip, code="gone", message="dismissed one", dismissed="it is fine")
    make_finding(session, None, file_id=clip.files[0].file_id, message="soft")
    scene.add_moment(clip, 10, 20, "the bell", note="rings")
    report = scene.hand_over(clip)
    (row,) = read_csv(report)
    expected = {
        "project": "The Chain Ferry",
        "day": "2",
        "date": "2026-05-12",
        "zone": "Europe/Copenhagen",
        "shot at": "2026-05-13T01:30:00+02:00",
        "shot at certainty": "stated",
        "camera": "B",
        "camera name": "Second body",
        "reel": "B001",
        "file name": "C0001.MP4",
        "all file names": "",
        "clip id": str(clip.id),
        "media": "video",
        "size": "3840x2160",
        "rotation": "90",
        "bit depth": "10",
        "chroma": "4:2:2",
        "colour curve": "HLG",
        "colour primaries": "BT.2020",
        "lens": "20 mm f/2.8",
        "focal length": "20",
        "iso": "800",
        "shutter": "1/50",
        "t-stop": "",
        "scene": "Opening",
        "kind": "interview",
        "shot size": "mcu",
        "shot size label": "Medium close-up",
        "who": "Ada; Nell Harrowby",
        "tags": "winch",
        "place": "Wheelhouse",
        "subject": "Nell speaks",
        "description": "Chain in the background",
        "rating": "ng",
        "rating reason": "focus",
        "audio source": "lav",
        "sound channels": "2",
        "sound rate": "48000",
        "sound bits": "24",
        "technical findings": "warning: no signal on channel 2; warning: soft",
        "release status": "2 of 2 people not cleared",
        "rights": "",
        "used": "",
        "hash algorithm": "xxh128",
        "hash": clip.files[0].file.digest,
        "path below each destination": f"{reel.folder}/CLIP/C0001.MP4",
        "verified copies": "2",
        "copies": "drive a: verified; drive-b: verified",
    }
    assert {title: row[title] for title in expected} == expected
    (twin,) = read_json(report)["clips"]
    assert twin["who"] == ["Ada", "Nell Harrowby"]
    assert twin["moments"] == [
        {
            "name": "the bell",
            "in_frame": 10,
            "out_frame": 20,
            "log": {"note": "rings", "people": [], "tags": []},
        }
    ]
    assert [copy["state"] for copy in twin["files"][0]["copies"]] == ["verified", "verified"]


def test_a_spanning_clip_names_all_its_files(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), "C1.MOV", frames=300, start_frame=0, facts={"frames": 200})
    second = scene.add_part(clip, "C2.MOV", frames=100)
    second.copies[0].state = CopyState.DIFFERS
    (row,) = read_csv(scene.hand_over(clip))
    assert (row["file name"], row["all file names"]) == ("C1.MOV", "C1.MOV; C2.MOV")
    assert row["all hashes"].split("; ")[1] == second.digest
    assert row["all paths"].endswith("A001/C2.MOV")
    assert row["duration frames"] == "300"
    assert row["copies"] == "drive a: verified 1, differs 1; drive-b: verified"
    assert row["verified copies"] == "1"


@pytest.mark.parametrize(
    ("rate", "drop", "start", "samples", "tc_in", "frames"),
    [
        # 48000 / 25 = 1920 samples a frame, exactly.
        ((25, 1), False, 1920 * 90000, 1920 * 10, "01:00:00:00", 10),
        ((25, 1), False, 1920 * 90000 + 1, 1920, "01:00:00:00", 2),
        ((25, 1), False, 1920 * 90000 - 1, 1, "00:59:59:24", 1),
        # 2002 samples a frame at 23.976: the label hour is 3603.6 s.
        ((24000, 1001), False, 2002 * 86400, 2002 * 24, "01:00:00:00", 24),
        # 1601.6 samples a frame at 29.97.
        ((30000, 1001), True, 8008 * 1800 // 5, 8008, "00:01:00;02", 5),
        ((25, 1), False, None, 1921, "", 2),
    ],
)
def test_sound_is_given_at_the_edit_rate_with_its_samples(
    scene: Scene, rate: tuple[int, int], drop: bool, start: int | None, samples: int, tc_in: str, frames: int
) -> None:
    production = scene.production
    production.rate_num, production.rate_den, production.drop_frame = *rate, drop
    clip = scene.add_clip(
        scene.add_reel("S001"),
        "T001.WAV",
        media=ClipMedia.AUDIO,
        rate_num=48000,
        rate_den=1,
        frames=samples,
        facts={"samples": samples, "audio_rate": 48000, "more": {"time_reference_samples": start}},
    )
    (row,) = read_csv(scene.hand_over(clip))
    assert (row["tc in"], row["duration frames"]) == (tc_in, str(frames))
    assert (row["start sample"], row["samples"]) == ("" if start is None else str(start), str(samples))
    assert row["duration seconds"] == round_ms(Fraction(samples, 48000))


def test_hostile_names_break_nothing_and_stay_apart(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    clips = [scene.add_clip(reel, b"DCIM/" + name) for name in HOSTILE]
    report = scene.hand_over(*clips)
    data = (report.folder / "shot_log.csv").read_bytes()
    assert len(parse_strictly(data[len(BOM) :])) == len(HOSTILE) + 1
    names = [row["file name"] for row in read_csv(report)]
    assert len(set(names)) == len(HOSTILE)
    assert not any(name[0] in "=+-@" or "\n" in name or "\u202e" in name for name in names)
    raw = {row["clip_id"]: row["file_name"] for row in read_json(report)["clips"]}
    assert raw[clips[5].id] == "=cmd|' .MOV", "the twin is not neutralised"
    json.dumps(read_json(report), allow_nan=False)


def test_a_measurement_that_is_no_number_does_not_spoil_the_json(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"))
    make_finding(scene.session, clip, value=float("-inf"))

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is no JSON (RFC 8259, section 6)")

    report = scene.hand_over(clip)
    json.loads((report.folder / "shot_log.json").read_text(), parse_constant=refuse)
