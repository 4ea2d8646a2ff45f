"""Start timecode from every place that keeps one, counted over midnight, at every rate."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.handover.timing import Timing
from ingest.media.describe import read
from ingest.media.facts import Facts, Noticed
from ingest.media.labels import start_of
from ingest.spans import MediaFile, is_continued
from shared.timecode import Rate, Timecode, duration_frames
from tests.ingest.media_support import ffprobe, needs_ffmpeg, run_ffmpeg

MPEG2 = ("-c:v", "mpeg2video", "-b:v", "2M")
RATES = [
    *((Rate(n * 1000, 1001), False) for n in (24, 30, 60)),
    *((Rate(n), False) for n in (24, 25, 30, 50, 60)),
    (Rate(30_000, 1001), True),
    (Rate(60_000, 1001), True),
]


def facts_of(path: Path) -> tuple[Facts, list[Noticed]]:
    facts, noticed = read(path)
    assert facts is not None, noticed
    return facts, [one for one in noticed if one.code.startswith("timecode")]


def make(path: Path, rate: str, *more: str) -> Path:
    run_ffmpeg("-f", "lavfi", "-i", f"testsrc2=s=96x64:r={rate}", "-t", "0.6", *more, path)
    return path


@needs_ffmpeg
def test_a_material_package_is_read_and_others_that_agree_are_no_conflict(tmp_path: Path) -> None:
    path = make(tmp_path / "a.mxf", "25", *MPEG2, "-timecode", "23:59:59:20")
    facts, noticed = facts_of(path)
    assert (facts.start_timecode, facts.timecode_source) == ("23:59:59:20", "material package")
    assert facts.start_frame == 24 * 3600 * 25 - 5 and noticed == []
    assert ffprobe(path)["format"]["tags"]["timecode"] == "23:59:59:20"


@needs_ffmpeg
def test_packages_that_disagree_are_a_finding_that_names_both(tmp_path: Path) -> None:
    path = make(tmp_path / "a.mxf", "25", *MPEG2, "-timecode", "10:00:00:00")
    data = path.read_bytes()
    # SMPTE ST 377-1: local tag 1501 of a timecode component is its start, 8 bytes
    tag = b"\x15\x01\x00\x08" + struct.pack(">q", 900_000)
    assert data.count(tag) == 2, "of the material package and of the source package"
    last = data.rfind(tag)
    path.write_bytes(data[:last] + tag[:4] + struct.pack(">q", 990_000) + data[last + 12 :])
    facts, noticed = facts_of(path)
    assert (facts.start_timecode, facts.start_frame) == ("10:00:00:00", 900_000)
    assert [one.code for one in noticed] == ["timecode-conflict"]
    for words in ("10:00:00:00 in the material package", "11:00:00:00 in the source package"):
        assert words in noticed[0].message


@needs_ffmpeg
@pytest.mark.parametrize(("suffix", "more"), [("mpg", ()), ("mts", ("-f", "mpegts")), ("m2v", ())])
def test_a_group_of_pictures_carries_timecode(tmp_path: Path, suffix: str, more: tuple[str, ...]) -> None:
    path = make(tmp_path / f"a.{suffix}", "25", *MPEG2, "-gop_timecode", "10:00:00:20", *more)
    facts, noticed = facts_of(path)
    assert (facts.start_timecode, facts.timecode_source) == ("10:00:00:20", "picture header")
    assert facts.start_frame == 900_020 and facts.drop_frame is False and noticed == []


def count_pairs(path: Path) -> None:
    """Make a timecode track of 50 labels a second one of 25 (QuickTime File Format: timecode description)."""
    data = bytearray(path.read_bytes())
    entry = at = -1
    while (at := data.find(b"tmcd", at + 1)) >= 0:
        # size, format, reserved 6, index 2, reserved 4, flags 4, time scale 4, frame duration 4, frames 1
        scale, duration, frames = struct.unpack_from(">IIB", data, at + 20)
        if frames == 50 and scale == 50 * duration:
            struct.pack_into(">IIB", data, at + 20, scale, duration * 2, 25)
            entry = at
    assert entry >= 0 and data[entry + 28] == 25
    path.write_bytes(data)


@needs_ffmpeg
def test_what_a_label_at_50_counts_is_stated(tmp_path: Path) -> None:
    full = make(tmp_path / "full.mov", "50", "-c:v", "libx264", "-timecode", "10:00:00:30")
    facts, noticed = facts_of(full)
    assert (facts.start_frame, facts.more["timecode_counts"], noticed) == (36_000 * 50 + 30, "frames", [])
    pairs = make(tmp_path / "pairs.mov", "50", "-c:v", "libx264", "-timecode", "10:00:00:20")
    count_pairs(pairs)
    facts, noticed = facts_of(pairs)
    assert facts.more["timecode_counts"] == "pairs" and facts.more["timecode_rate"] == "25"
    assert [(one.code, one.severity) for one in noticed] == [("timecode-pairs", "note")]
    label = facts.start_timecode
    assert label is not None and facts.start_frame == 2 * Timecode.parse(label, Rate(25)).frames
    tag = make(tmp_path / "tag.mkv", "50", "-c:v", "libx264", "-timecode", "10:00:00:30")
    assert facts_of(tag)[0].more["timecode_counts"] == "frames (assumed)", "a tag names no rate"


def other(text: str, flag: str, rate: Fraction, **more: str) -> dict[str, str]:
    num, den = str(rate.numerator), str(rate.denominator)
    return {"@type": "Other", "TimeCode_FirstFrame": text, "TimeCode_DropFrame": flag, "FrameRate_Num": num,
            "FrameRate_Den": den, **more}  # fmt: skip


def test_places_that_count_differently_and_mean_the_same_picture_agree() -> None:
    track = other("10:00:00:12", "No", Fraction(25), Format="QuickTime TC")
    system = other("10:00:00:24", "No", Fraction(50), MuxingMode="SDTI", Format="SMPTE TC")
    start, noticed = start_of([track, system], {}, Fraction(50))
    assert start is not None and start.frame == 36_000 * 50 + 24
    assert [one.code for one in noticed] == ["timecode-pairs"]
    system["TimeCode_FirstFrame"] = "10:00:00:25"
    _, noticed = start_of([track, system], {}, Fraction(50))
    assert [one.code for one in noticed] == ["timecode-conflict", "timecode-pairs"]
    assert "10:00:00:12 in the timecode track" in noticed[0].message
    assert "10:00:00:25 in the system item" in noticed[0].message


def test_flags_that_disagree_are_a_conflict_though_the_digits_agree() -> None:
    rate = Fraction(30_000, 1001)
    tracks = [other("01:00:00:00", "Yes", rate), other("01:00:00:00", "No", rate)]
    start, noticed = start_of(tracks, {}, rate)
    assert start is not None and start.label.drop_frame
    assert [one.code for one in noticed] == ["timecode-conflict"]
    assert "01:00:00;00" in noticed[0].message and "01:00:00:00 in another" in noticed[0].message


@given(st.sampled_from(RATES), st.data())
def test_a_clip_over_midnight_ends_where_the_next_one_begins(
    counting: tuple[Rate, bool], data: st.DataObject
) -> None:
    """IN after OUT is a clip over midnight (a day of labels, SMPTE ST 12-1), at any rate and length."""
    rate, drop = counting
    day = rate.frames_per_day(drop)
    start, length = data.draw(st.integers(0, day - 1)), data.draw(st.integers(0, day - 1))
    timing = Timing(rate, drop, start, length)
    assert timing.tc_in is not None and timing.tc_out is not None
    assert duration_frames(timing.tc_in, timing.tc_out) == length
    assert timing.tc_out.frames == (start + length) % day
    assert (timing.tc_out.frames < timing.tc_in.frames) == (start + length >= day)
    labels = [Timecode.parse(str(tc), rate, drop) for tc in (timing.tc_in, timing.tc_out)]
    assert duration_frames(*labels) == length, "and the labels alone tell it"


@given(st.sampled_from(RATES), st.data())
def test_a_recording_split_at_any_hour_is_one(counting: tuple[Rate, bool], data: st.DataObject) -> None:
    rate, drop = counting
    day = rate.frames_per_day(drop)
    start, length = data.draw(st.integers(0, day - 1)), data.draw(st.integers(1, 100_000))
    gap = data.draw(st.sampled_from((0, 1, -1)))

    def part(name: bytes, first: int) -> MediaFile:
        facts = Facts(
            container="MPEG-4", video_codec="AVC", rate_num=rate.num, rate_den=rate.den, frames=length,
            start_frame=first % day, drop_frame=drop,
        )  # fmt: skip
        return MediaFile(name, 2**32 - 1, 0, facts)

    parts = part(b"C0001.MOV", start), part(b"C0002.MOV", start + length + gap)
    assert is_continued(*parts) == (gap == 0)
