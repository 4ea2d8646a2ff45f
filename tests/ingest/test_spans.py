"""Spans: files of one recording are joined, and takes never are. Each rule stands in ingest/spans.py."""

from __future__ import annotations

from typing import Any

import pytest

from ingest.clips import MediaFile, group_clips
from ingest.spans import find_spans, is_continued
from tests.ingest.clips_support import (
    FULL,
    NOON,
    SECOND,
    other,
    roles,
    sound,
    video,
)


def span(first: MediaFile, second: MediaFile) -> bool:
    clips = group_clips([first, second])
    if len(clips) == 1:
        assert [role for _, role in roles(clips[0])] == ["essence", "essence"]
        assert [one.code for one in clips[0].noticed] == ["clip-spans-files"]
    return len(clips) == 1


def test_a_recording_in_three_files_is_one_clip() -> None:
    parts = [
        video(f"D/A{n:04d}.MOV", mtime_ns=NOON + n * 10 * SECOND, start_frame=90_000 + n * 250)
        for n in range(3)
    ]
    files = [*parts, other("D/A0001.XML"), video("D/A0003.MOV", start_frame=5, mtime_ns=NOON + 900 * SECOND)]
    clips = group_clips(files)
    assert [clip.name for clip in clips] == ["D/A0000", "D/A0003"]
    assert (clips[0].frames, clips[0].start_frame) == (750, 90_000)
    assert roles(clips[0]) == [
        ("D/A0000.MOV", "essence"),
        ("D/A0001.MOV", "essence"),
        ("D/A0002.MOV", "essence"),
        ("D/A0001.XML", "sidecar"),
    ]
    assert clips[0].noticed[0].value == 3


@pytest.mark.parametrize(
    ("first", "second", "joined"),
    [
        ("D/C0001.MOV", "D/C0002.MOV", True),
        ("D/C0002.MOV", "D/C0001.MOV", False),
        ("D/C0001.MOV", "D/C0003.MOV", False),
        ("D/C0001.MOV", "D/X0002.MOV", False),
        ("D/C0001.MOV", "E/C0002.MOV", False),
        ("D/C0001.MOV", "D/C0002.MP4", False),
        ("D/C9999.MOV", "D/C0000.MOV", False),
        ("D/C0009.MOV", "D/c0010.mov", True),
        ("D/G010042.MP4", "D/G020042.MP4", True),  # the chapter stands before the number
        ("D/T_1.MOV", "D/T_2.MOV", True),
        ("DCIM/100FERRY/C0999.MOV", "DCIM/101FERRY/C1000.MOV", True),
        ("DCIM/100FERRY/C0999.MOV", "DCIM/102FERRY/C1000.MOV", False),
        ("DCIM/100FERRY/C0999.MOV", "DCIM/101OTHER/C1000.MOV", False),
    ],
)
def test_names_must_count_on(first: str, second: str, joined: bool) -> None:
    later = NOON + 10 * SECOND
    found = span(video(first, start_frame=1000), video(second, mtime_ns=later, start_frame=1250))
    assert found == joined


@pytest.mark.parametrize(
    ("changes", "joined"),
    [
        ({}, True),
        ({"start_frame": 1249}, False),  # an overlap
        ({"start_frame": 1251}, False),  # a gap of one frame: OUT is exclusive
        ({"start_frame": None}, False),
        ({"width": 3840}, False),
        ({"rate_num": 50}, False),
        ({"video_codec": "HEVC"}, False),
        ({"audio_channels": 4}, False),
        ({"frames": None}, False),
        ({"frames": 3}, True),
    ],
)
def test_format_and_timecode_must_run_on(changes: dict[str, Any], joined: bool) -> None:
    second = video("D/C2.MOV", mtime_ns=NOON + 10 * SECOND, **{"start_frame": 1250, **changes})
    assert span(video("D/C1.MOV", start_frame=1000), second) == joined


@pytest.mark.parametrize(
    ("first", "second", "joined"),
    [
        ({}, {}, True),
        ({"Encoded_Hardware_Model": "X1"}, {"Encoded_Hardware_Model": "X1"}, True),
        ({"Encoded_Hardware_Model": "X1"}, {"Encoded_Hardware_Model": "X2"}, False),
        ({"Encoded_Hardware_Model": "X1"}, {}, False),
        ({"Comment": "one"}, {"Comment": "two"}, True),
    ],
)
def test_one_body_must_have_made_both(first: dict[str, str], second: dict[str, str], joined: bool) -> None:
    one = video("D/C1.MOV", start_frame=1000, more={"declared": first})
    two = video("D/C2.MOV", mtime_ns=NOON + 10 * SECOND, start_frame=1250, more={"declared": second})
    assert span(one, two) == joined


def test_timecode_runs_on_over_midnight_and_in_drop_frame() -> None:
    # SMPTE ST 12-1: a day of drop-frame at 29.97 has 2,589,408 labels, of 25 fps 2,160,000.
    later = NOON + 10 * SECOND
    assert span(
        video("D/C1.MOV", start_frame=2_160_000 - 100), video("D/C2.MOV", mtime_ns=later, start_frame=150)
    )
    drop: dict[str, Any] = {"rate_num": 30_000, "rate_den": 1001, "drop_frame": True, "frames": 300}
    first = video("D/C1.MOV", start_frame=2_589_408 - 100, **drop)
    assert span(first, video("D/C2.MOV", mtime_ns=later, start_frame=200, **drop))
    undropped = video("D/C2.MOV", mtime_ns=later, start_frame=200, **{**drop, "drop_frame": False})
    assert not span(first, undropped)


@pytest.mark.parametrize(
    ("pause", "first_frames", "second_frames", "joined"),
    [
        (0, 250, 250, True),
        (0, 2500, 100, True),
        (40, 250, 250, False),
        (40, 1500, 250, False),
        (600, 250, 9, False),
    ],
)
def test_timecode_that_runs_only_while_recording_does_not_join_takes(
    pause: int, first_frames: int, second_frames: int, joined: bool
) -> None:
    """The card's own times show the pause; they are those of the end of each take, in steps of 2 s."""
    end = NOON + (pause + second_frames // 25) * SECOND
    first = video("D/C1.MOV", start_frame=0, frames=first_frames)
    second = video("D/C2.MOV", mtime_ns=end + SECOND, start_frame=first_frames, frames=second_frames)
    assert span(first, second) == joined


@pytest.mark.parametrize(("pause", "joined"), [(0, True), (1, True), (30, False), (3600, False)])
def test_stamps_of_the_files_count_before_times_of_the_card(pause: int, joined: bool) -> None:
    def stamped(path: str, seconds: int, start: int) -> MediaFile:
        raw = f"2026-05-12 {12 + seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d} UTC"
        facts: dict[str, Any] = {"start_frame": start, "recorded_raw": raw, "recorded_field": "movie header"}
        return video(path, **facts)

    assert span(stamped("D/C1.MOV", 0, 0), stamped("D/C2.MOV", 10 + pause, 250)) == joined


@pytest.mark.parametrize(
    ("size", "step", "joined"),
    [
        (FULL, 10, True),
        (FULL - FULL // 60, 10, True),
        (4_000_000_000, 10, True),
        (FULL * 97 // 100, 10, False),
        (3_900_000_000, 10, False),
        (1_000_000, 10, False),
        (FULL, 40, False),  # the next file was closed far too late for a part of this recording
        (FULL, 0, False),  # no evidence that they follow each other
    ],
)
def test_without_timecode_only_a_full_file_whose_times_fit_is_continued(
    size: int, step: int, joined: bool
) -> None:
    first = video("D/C1.MTS", size=size)
    assert span(first, video("D/C2.MTS", mtime_ns=NOON + step * SECOND)) == joined


def test_sound_is_joined_by_its_samples_and_iso_tracks_are_not() -> None:
    first = sound("S/T01_1.WAV", reference=48_000 * 3600)
    assert span(first, sound("S/T01_2.WAV", NOON + 10 * SECOND, 48_000 * 3600 + 480_000))
    assert not span(first, sound("S/T01_2.WAV", NOON, 48_000 * 3600)), "two tracks of one moment"
    assert not span(first, sound("S/T01_2.WAV", NOON + 10 * SECOND, 48_000 * 3600 + 480_001))
    assert not span(sound("S/T01_1.WAV"), sound("S/T01_2.WAV", NOON + 10 * SECOND))
    midnight = 48_000 * 86_400  # EBU Tech 3285: TimeReference counts samples since midnight
    assert span(sound("S/T1.WAV", reference=midnight - 1), sound("S/T2.WAV", NOON + 10 * SECOND, 480_000 - 1))


def test_a_file_that_two_could_continue_is_joined_to_neither() -> None:
    files = [
        video("D/G010001.MP4", start_frame=0),
        video("D/G020001.MP4", start_frame=250, mtime_ns=NOON + 10 * SECOND),
        video("D/G010002.MP4", start_frame=250, mtime_ns=NOON + 10 * SECOND),
    ]
    assert find_spans(files, range(3)) == []
    assert is_continued(files[0], files[1]) and is_continued(files[0], files[2])
