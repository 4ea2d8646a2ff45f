"""Grouping: nothing of a card is lost, companions follow their take, takes are joined only on evidence."""

from __future__ import annotations

import time
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.capture import find_captures
from ingest.clips import MediaFile, PerSecond, group_clips
from ingest.media.facts import Facts
from ingest.media.kinds import kind_of
from ingest.media_files import USED_FACTS, MediaFiles
from shared.models import ClipMedia, FileRole
from tests.ingest.clips_support import (
    FULL,
    NOON,
    PHOTO,
    SECOND,
    SOUND,
    VIDEO,
    names,
    other,
    photo,
    roles,
    sound,
    video,
)


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


@pytest.mark.parametrize(
    ("path", "is_proxy"),
    [
        ("A/C1.LRV", True),
        ("A/C1_proxy.MOV", True),
        ("M/SUB/C0001S03.MP4", True),
        ("A/Proxy/C1S03.MP4", True),
        ("A/SCENES01.MP4", False),  # a name that ends in a mark by chance
        ("A/Proxy/C1.MP4", False),  # nothing but a folder's name speaks for it
        ("A/C1.MP4", False),
    ],
)
def test_a_proxy_without_its_take_is_never_an_original(path: str, is_proxy: bool) -> None:
    (lone,) = group_clips([video(path)])
    assert lone.media is ClipMedia.VIDEO and roles(lone) == [(path, "proxy" if is_proxy else "essence")]
    assert [one.code for one in lone.noticed] == ["proxy-alone"] * is_proxy


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
        replace(VIDEO, audio_codec=None, rate_mode="constant", recorded_raw="2026-05-12 11:59:57"),
        replace(VIDEO, more={"declared": {"Encoded_Hardware": "x", "Format": "y"}, "lens": 5}),
        replace(VIDEO, more={"capture_rate": {"rate": "100", "certainty": "stated", "source": "z"}}),
        replace(SOUND, more={"time_reference_samples": 7, "bext": {"originator": "r", "description": "d"}}),
        replace(SOUND, more={"time_reference_samples": "7", "bext": None}),
    ]
)


def test_what_is_kept_of_a_media_file_is_what_grouping_asks() -> None:
    stated = {
        "declared": {"Encoded_Hardware": "x"},
        "capture_rate": {"rate": "100"},
        "bext": {"originator": "r"},
    }
    facts = replace(VIDEO, more={**stated, "time_reference_samples": -7, "exif": {"much": "more"}})
    facts = replace(
        facts, recorded_raw="2026\udcff", recorded_field="x", chroma="4:2:2", start_frame=0, scan="p"
    )
    kept = MediaFiles()
    for file in (MediaFile(b"a\xff.MOV", 1, -1, facts, "why"), MediaFile(b"b.MOV", 2, 3), sound("c.WAV")):
        kept.append(file)
    first, *others = kept
    assert (first.path, first.size, first.mtime_ns, first.problem) == (b"a\xff.MOV", 1, -1, "why")
    assert first.facts is not None and first.facts.more == {**stated, "time_reference_samples": -7}
    for name in set(USED_FACTS) - {"more"}:
        assert getattr(first.facts, name) == getattr(facts, name), name
    assert others == [MediaFile(b"b.MOV", 2, 3), sound("c.WAV")]


def test_a_photograph_with_its_raw_twin_is_no_thumbnail_of_a_video() -> None:
    paths = ("A/C0001.MP4", "A/THM/C0001.DNG", "A/THM/C0001.JPG")
    clips = group_clips([MediaFile(path.encode(), 900, NOON, Facts()) for path in paths])
    assert [[member.path for member in clip.members] for clip in clips] == [
        [b"A/C0001.MP4"],
        [b"A/THM/C0001.DNG", b"A/THM/C0001.JPG"],
    ]


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
    kept = MediaFiles()
    for file in files:
        kept.append(file)
    assert group_clips(kept) == clips, "as they are kept in an offload, files give the same clips"
    assert find_captures(clips, kept) == find_captures(clips, files)
    members = [member for clip in clips for member in clip.members]
    indexes = [member.index for member in members]
    assert len(indexes) == len(set(indexes))
    media = {index for index, file in enumerate(files) if kind_of(file.path) in ("video", "audio", "image")}
    assert media <= set(indexes)
    assert all(files[member.index].path == member.path for member in members)
    for clip in clips:
        alone = "proxy-alone" in [one.code for one in clip.noticed]
        assert clip.members[0].role is (FileRole.PROXY if alone else FileRole.ESSENCE)
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
