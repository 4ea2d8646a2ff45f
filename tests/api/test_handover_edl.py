"""Edit decision lists, read back with OpenTimelineIO's CMX 3600 adapter: every source and record frame."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import opentimelineio as otio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from api.handover import HandoverReport
from api.handover.cmx import MOST_EVENTS, Event, can_be_listed, name_reels, write_lists
from shared.models import ClipMedia, Production
from shared.timecode import Rate, Timecode
from tests.api.handover_cases import HOSTILE, RATES, Scene

PAL = Rate(25, 1)


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


def lists_of(report: HandoverReport) -> list[str]:
    return sorted(name for name in report.files if name.endswith(".edl"))


def read_back(text: str, rate: Rate) -> list[otio.schema.Clip]:
    timeline = otio.adapters.read_from_string(text, "cmx_3600", rate=float(rate.fraction))
    return list(timeline.tracks[0])


def frames_of(item: otio.schema.Clip) -> tuple[int, int]:
    span = item.source_range
    return round(span.start_time.value), round(span.duration.value)


@pytest.mark.parametrize(("num", "den", "drop", "start", "frames"), RATES)
def test_every_frame_of_a_list_is_the_catalogues(
    scene: Scene, num: int, den: int, drop: bool, start: int, frames: int
) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"), rate_num=num, rate_den=den, drop_frame=drop, start_frame=start, frames=frames
    )
    report = scene.hand_over(clip)
    (name,) = lists_of(report)
    text = (report.folder / name).read_bytes().decode("ascii")
    assert f"FCM: {'DROP FRAME' if drop else 'NON-DROP FRAME'}\r\n" in text
    rate = Rate(num, den)
    line = next(line for line in text.splitlines() if line.startswith("001"))
    number, reel, track, cut, *labels = line.split()
    assert (number, reel, track, cut) == ("001", "A001", "V", "C")
    day = rate.frames_per_day(drop)
    found = [Timecode.parse(label, rate, drop).frames for label in labels]
    record = Timecode.parse("01:00:00;00" if drop else "01:00:00:00", rate, drop).frames
    assert found == [start, (start + frames) % day, record, record + frames]
    # The reference reader knows neither 59.94 drop-frame nor an out before its in.
    if num != 60000 and start + frames < day:
        (item,) = read_back(text, rate)
        assert frames_of(item) == (start, frames)


def test_one_list_for_each_rate_and_way_of_counting(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    shots = [
        ("A.MOV", 25, 1, False, 90000),
        ("B.MOV", 50, 1, False, None),
        ("C.MOV", 30000, 1001, True, 1800),
        ("D.MOV", 30000, 1001, False, 1800),
        ("E.MOV", 25, 1, False, 100),
        ("F.MOV", 120, 1, False, 100),  # beyond what two digits of frames can say
    ]
    clips = [
        scene.add_clip(
            reel, name, rate_num=num, rate_den=den, drop_frame=drop, start_frame=start, frames=10 + n
        )
        for n, (name, num, den, drop, start) in enumerate(shots)
    ]
    sound = scene.add_clip(reel, "S.WAV", media=ClipMedia.AUDIO, rate_num=48000, rate_den=1, frames=48000)
    report = scene.hand_over(*clips, sound)
    assert lists_of(report) == [
        "edit_lists/25_1.edl",
        "edit_lists/29.97_1.edl",
        "edit_lists/29.97df_1.edl",
        "edit_lists/50_1.edl",
    ]
    items = read_back((report.folder / "edit_lists/25_1.edl").read_text(), PAL)
    assert [item.name for item in items] == ["A.MOV", "E.MOV"]
    assert [frames_of(item) for item in items] == [(90000, 10), (100, 14)]
    assert "* NO TIMECODE IN THE FILE" in (report.folder / "edit_lists/50_1.edl").read_text()


def test_nothing_hostile_gets_into_a_list(scene: Scene) -> None:
    reel = scene.add_reel("A-long-reel-name")
    clips = [scene.add_clip(reel, raw, rate_num=25, rate_den=1, frames=5) for raw in HOSTILE]
    report = scene.hand_over(*clips)
    content = (report.folder / "edit_lists/25_1.edl").read_bytes()
    assert all(32 <= byte < 127 for byte in content.replace(b"\r\n", b""))
    assert len([line for line in content.split(b"\r\n") if line[:3].isdigit()]) == len(HOSTILE)
    with (report.folder / "edit_lists/reels.csv").open(newline="") as table:
        assert list(csv.reader(table)) == [["reel_in_list", "reel"], ["A_LO0001", "A-long-reel-name"]]


def test_photographs_alone_make_no_list(scene: Scene) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"), "P.JPG", media=ClipMedia.IMAGE, rate_num=None, rate_den=None
    )
    assert lists_of(scene.hand_over(clip)) == []


@given(st.lists(st.from_regex(r"\A[A-Za-z0-9][A-Za-z0-9_-]{0,31}\Z"), max_size=40))
def test_short_reel_names_are_short_and_unique(reels: list[str]) -> None:
    named = name_reels(reels)
    assert list(named) == list(dict.fromkeys(reels))
    assert len(set(named.values())) == len(named)
    assert all(re.fullmatch(r"[A-Z0-9_]{1,8}", short) for short in named.values())


def test_a_reel_that_fits_keeps_its_name_before_others() -> None:
    assert name_reels(["a001-long-name", "A001", "a001", "LONG0001"]) == {
        "a001-long-name": "A0010002",
        "A001": "A001",
        "a001": "A0010001",
        "LONG0001": "LONG0001",
    }


EVENTS = st.lists(st.tuples(st.integers(0, 2_000_000), st.integers(1, 400_000)), min_size=1, max_size=30)


@given(EVENTS, st.sampled_from([PAL, Rate(24000, 1001), Rate(24, 1), Rate(50, 1), Rate(30000, 1001)]))
@settings(max_examples=60)
def test_lists_hold_every_event_whole_and_less_than_a_day(pairs: list[tuple[int, int]], rate: Rate) -> None:
    events = [Event("A001", start % rate.frames_per_day(), count) for start, count in pairs]
    fitting = [event for event in events if can_be_listed(rate, event.count, False)]
    texts = write_lists("Ferry", fitting, rate, False, {"A001": "A001"})
    found = []
    for text in texts:
        record = Timecode.parse("01:00:00:00", rate).frames
        for line in text.splitlines():
            if not line[:3].isdigit():
                continue
            s_in, s_out, r_in, r_out = (Timecode.parse(label, rate).frames for label in line.split()[4:])
            count = (s_out - s_in) % rate.frames_per_day()
            assert (r_in, r_out) == (record, record + count)
            record = r_out
            found.append((s_in, count))
    assert found == [(event.start, event.count) for event in fitting]


def test_a_thousandth_event_begins_a_second_list() -> None:
    texts = write_lists("Ferry", [Event("A001", 0, 1)] * (MOST_EVENTS + 1), PAL, False, {"A001": "A001"})
    assert [sum(line[:3].isdigit() for line in text.splitlines()) for text in texts] == [999, 1]
    assert [len(read_back(text, PAL)) for text in texts] == [999, 1]
