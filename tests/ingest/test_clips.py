"""Grouping: nothing of a card is lost, companions follow their take, takes are joined only on evidence."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.clips import GroupedClip, MediaFile, PerSecond, group_clips
from ingest.media.facts import Facts
from ingest.media.kinds import kind_of
from ingest.spans import find_spans, is_continued
from shared.models import ClipMedia, FileRole

NOON = 1_778_587_200 * 10**9  # 2026-05-12 12:00:00 UTC
SECOND = 10**9
FULL = 2**32 - 1  # the largest file of FAT32 (published FAT specification)

VIDEO = Facts(
    container="MPEG-4",
    video_codec="AVC",
    width=1920,
    height=1080,
    rate_num=25,
    rate_den=1,
    frames=250,
    drop_frame=False,
    audio_codec="PCM",
    audio_channels=2,
)
SOUND = Facts(container="Wave", audio_codec="PCM", audio_channels=2, audio_rate=48_000, samples=480_000)
PHOTO = Facts(container="JPEG", video_codec="JPEG", width=4000, height=3000)


def video(path: str, size: int = 10_000_000, mtime_ns: int = NOON, **facts: Any) -> MediaFile:
    return MediaFile(path.encode(), size, mtime_ns, replace(VIDEO, **facts))


def sound(path: str, mtime_ns: int = NOON, reference: int | None = None) -> MediaFile:
    more = {} if reference is None else {"time_reference_samples": reference}
    return MediaFile(path.encode(), 3_000_000, mtime_ns, replace(SOUND, more=more))


def photo(path: str) -> MediaFile:
    return MediaFile(path.encode(), 200_000, NOON, PHOTO)


def other(path: str, size: int = 500) -> MediaFile:
    return MediaFile(path.encode(), size, NOON)


def roles(clip: GroupedClip) -> list[tuple[str, str]]:
    assert [member.ordinal for member in clip.members] == list(range(len(clip.members)))
    return [(member.path.decode(), str(member.role)) for member in clip.members]


def names(files: Iterable[MediaFile]) -> list[str]:
    return [clip.name for clip in group_clips(list(files))]


def test_companions_of_a_take_wherever_a_camera_puts_them() -> None:
    files = [
        video("M/CLIP/C0001.MP4"),
        other("M/CLIP/C0001M01.XML"),
        photo("M/THMBNL/C0001T01.JPG"),
        video("M/SUB/C0001S03.MP4", size=900_000, width=640, height=360),
        video("M/CLIP/C0002.MP4"),
        other("M/CLIP/C0002M01.XML"),
        other("M/MEDIAPRO.XML"),
        other("M/INDEX.BDM"),
    ]
    one, two = group_clips(files)
    assert (one.name, one.media, one.rate, one.frames) == (
        "M/CLIP/C0001",
        ClipMedia.VIDEO,
        PerSecond(25),
        250,
    )
    assert roles(one) == [
        ("M/CLIP/C0001.MP4", "essence"),
        ("M/SUB/C0001S03.MP4", "proxy"),
        ("M/THMBNL/C0001T01.JPG", "thumbnail"),
        ("M/CLIP/C0001M01.XML", "sidecar"),
    ]
    assert [files[member.index].path for member in one.members] == [member.path for member in one.members]
    assert roles(two) == [("M/CLIP/C0002.MP4", "essence"), ("M/CLIP/C0002M01.XML", "sidecar")]
    assert one.noticed == two.noticed == ()


def test_names_are_compared_blind_to_case_and_normal_form() -> None:
    clip = group_clips([video("A/Fähre.MOV"), other("A/FA\u0308HRE.srt"), other("A/fähre.THM")])
    assert len(clip) == 1
    assert [role for _, role in roles(clip[0])] == ["essence", "thumbnail", "sidecar"]


def test_a_thumbnail_is_told_from_a_photograph_by_its_folder() -> None:
    clips = group_clips([video("DCIM/C1.MOV"), photo("DCIM/THM/C1.JPG"), photo("DCIM/C1.JPG")])
    assert [(clip.name, clip.media) for clip in clips] == [
        ("DCIM/C1.JPG", ClipMedia.IMAGE),
        ("DCIM/C1", ClipMedia.VIDEO),
    ]
    assert roles(clips[1]) == [("DCIM/C1.MOV", "essence"), ("DCIM/THM/C1.JPG", "thumbnail")]
    lone = group_clips([photo("DCIM/THM/C9.JPG")])
    assert [clip.media for clip in lone] == [ClipMedia.IMAGE], "without its take it is still not lost"


def test_sidecars_go_to_the_nearest_take_and_to_none_when_that_is_unclear() -> None:
    files = [
        video("A/C1.MP4"),
        video("B/C1.MP4", frames=99),
        other("B/C1.SRT"),
        other("X/C1.XML"),
    ]
    one, two = group_clips(files)
    assert roles(one) == [("A/C1.MP4", "essence")]
    assert roles(two) == [("B/C1.MP4", "essence"), ("B/C1.SRT", "sidecar")]


def test_two_numbered_folders_with_the_same_names_stay_apart() -> None:
    """JEITA CP-3461 (DCF): numbers begin again in another folder, and mean another take."""
    files = [
        video("DCIM/100FERRY/C0001.MP4", size=9_000_000),
        video("DCIM/101FERRY/C0001.MP4", size=900_000, width=1280, height=720),
        other("DCIM/101FERRY/C0001.XML"),
    ]
    one, two = group_clips(files)
    assert roles(one) == [("DCIM/100FERRY/C0001.MP4", "essence")]
    assert len(two.members) == 2


@pytest.mark.parametrize(
    ("changes", "is_proxy"),
    [
        ({"width": 640, "height": 360}, True),
        ({"video_codec": "HEVC"}, True),
        ({"width": 640, "height": 360, "frames": 251}, False),
        ({"width": 640, "height": 360, "frames": 249}, False),
        ({"width": 640, "height": 360, "frames": None}, False),
        ({"width": 640, "height": 360, "rate_num": 50}, False),
        ({}, False),  # the same encoding: another take, or a copy
    ],
)
def test_an_unmarked_proxy_has_exactly_as_many_frames_and_another_encoding(
    changes: dict[str, Any], is_proxy: bool
) -> None:
    clips = group_clips([video("A/C1.MOV"), video("A/Proxy/C1.MP4", size=500_000, **changes)])
    assert len(clips) == (1 if is_proxy else 2)
    if is_proxy:
        assert roles(clips[0])[1] == ("A/Proxy/C1.MP4", "proxy")
    bigger = group_clips([video("A/C1.MOV"), video("A/Proxy/C1.MP4", size=50_000_000, **changes)])
    if is_proxy:
        assert roles(bigger[0])[0] == ("A/Proxy/C1.MP4", "essence"), "the larger one is the take"


def test_starts_that_differ_are_no_proxy() -> None:
    small = video("A/C1.MP4", size=500_000, width=640, height=360, start_frame=100)
    assert len(group_clips([video("A/C1.MOV", start_frame=0), small])) == 2
    assert len(group_clips([video("A/C1.MOV", start_frame=100), small])) == 1


def test_a_marked_proxy_of_another_length_is_a_proxy_and_a_finding() -> None:
    (clip,) = group_clips([video("A/C1.MOV"), video("A/C1_proxy.MOV", size=9, frames=200)])
    assert [one.code for one in clip.noticed] == ["proxy-length-differs"] and clip.noticed[0].value == 200
    (clip,) = group_clips([video("A/C1.MP4"), video("A/C1.LRF", size=9)])
    assert roles(clip)[1] == ("A/C1.LRF", "proxy") and clip.noticed == ()
    (lone,) = group_clips([video("A/C1.LRV")])
    assert lone.media is ClipMedia.VIDEO and [one.code for one in lone.noticed] == ["proxy-alone"]


def test_a_raw_photograph_and_its_jpeg_are_one() -> None:
    (clip,) = group_clips([photo("D/P1.JPG"), photo("D/P1.DNG")])
    assert roles(clip) == [("D/P1.DNG", "essence"), ("D/P1.JPG", "proxy")]
    assert (clip.media, clip.rate, clip.frames) == (ClipMedia.IMAGE, None, None)


def test_sound_beside_a_film_is_a_clip_of_its_own_counting_samples() -> None:
    clips = group_clips([video("A/T1.MOV"), sound("A/T1.WAV", reference=48_000)])
    assert [clip.name for clip in clips] == ["A/T1", "A/T1.WAV"]
    wave = clips[1]
    assert (wave.media, wave.rate, wave.frames) == (ClipMedia.AUDIO, PerSecond(48_000), 480_000)
    assert (wave.start_frame, wave.drop_frame) == (None, False)


def test_what_cannot_be_read_is_a_clip_with_a_finding() -> None:
    files = [
        other("A/C1.MP4", size=0),
        other("A/C1M01.XML"),
        replace(other("A/C2.MOV"), problem="Input/output error"),
        MediaFile(b"A/C3.MP4", 900, NOON, Facts(container="MPEG-4")),
    ]
    one, two, three = group_clips(files)
    assert {clip.media for clip in (one, two, three)} == {ClipMedia.UNKNOWN}
    assert all([notice.code for notice in clip.noticed] == ["media-unknown"] for clip in (one, two, three))
    assert "0 bytes" in one.noticed[0].message and "Input/output error" in two.noticed[0].message
    assert len(one.members) == 2


def test_names_differ_are_for_people_and_fit_the_column() -> None:
    deep = "x" * 150 + "/" + "y" * 150
    files = [
        MediaFile(b"\xff\n.mov", 1, NOON, VIDEO),
        video(f"a/{deep}/1.mov"),
        video(f"b/{deep}/1.mov", frames=7),
        video("C1.MOV"),
        sound("C1.WAV"),
        photo("C1.PNG"),
        video("C1.WAV.MOV"),
    ]
    found = names(files)
    assert len(found) == len(set(found)) == 7 and max(map(len, found)) <= 300
    assert "C1" in found and "\\xff\\u000a" in found
    assert names([photo("C1.JPG")]) == ["C1"]


# Spans: each rule stands in ingest/spans.py.


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
    assert find_spans(list(enumerate(files))) == []
    assert is_continued(files[0], files[1]) and is_continued(files[0], files[2])


_NAMES = st.sampled_from(
    [
        f"{folder}{stem}{suffix}"
        for folder in ("", "A/", "A/THM/", "DCIM/100FERRY/", "DCIM/101FERRY/")
        for stem in ("C0001", "C0002", "C0001M01", "C0001S03", "c0003_proxy")
        for suffix in (".MP4", ".mov", ".WAV", ".JPG", ".DNG", ".XML", ".LRF", ".THM", ".bin", "")
    ]
)
_FACTS = st.sampled_from(
    [
        None,
        VIDEO,
        SOUND,
        PHOTO,
        Facts(),
        replace(VIDEO, start_frame=0),
        replace(VIDEO, start_frame=250),
        replace(VIDEO, width=640, height=360),
    ]
)


@given(
    st.dictionaries(
        _NAMES, st.tuples(_FACTS, st.sampled_from([0, 900, 10_000_000, FULL]), st.integers(0, 40))
    )
)
def test_every_media_file_is_in_exactly_one_clip(card: dict[str, tuple[Facts | None, int, int]]) -> None:
    files = [
        MediaFile(path.encode(), size, NOON + step * SECOND, facts)
        for path, (facts, size, step) in card.items()
    ]
    clips = group_clips(files)
    members = [member for clip in clips for member in clip.members]
    indexes = [member.index for member in members]
    assert len(indexes) == len(set(indexes))
    media = {index for index, file in enumerate(files) if kind_of(file.path) in ("video", "audio", "image")}
    assert media <= set(indexes)
    assert all(files[member.index].path == member.path for member in members)
    assert all(clip.members[0].role is FileRole.ESSENCE for clip in clips)
    assert len({clip.name for clip in clips}) == len(clips)
    assert clips == group_clips(files), "the same card gives the same clips"
    backwards = group_clips(files[::-1])
    assert [clip.name for clip in backwards] == [clip.name for clip in clips]
    for clip in clips:
        if clip.media is ClipMedia.VIDEO and clip.rate is not None and clip.frames is not None:
            assert Fraction(clip.frames * clip.rate.den, clip.rate.num) >= 10


def test_a_card_of_ten_thousand_files_is_quick() -> None:
    files = [
        each
        for n in range(5000)
        for each in (video(f"D/C{n:05d}.MOV", start_frame=n * 999), other(f"D/C{n:05d}.XML"))
    ]
    begun = time.perf_counter()
    assert len(group_clips(files)) == 5000
    assert time.perf_counter() - begun < 10, "linear work takes a fraction of a second"
