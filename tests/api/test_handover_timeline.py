"""The timeline, read back with OpenTimelineIO: every frame, every file, every marker."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any
from urllib.parse import unquote_to_bytes, urlsplit

import opentimelineio as otio
import pytest
from sqlalchemy.orm import Session

from api.handover import HandoverReport
from shared.errors import UsageError
from shared.models import ClipMedia, CopyState, File, Production
from shared.timecode import Rate, Timecode
from tests.api.handover_cases import HOSTILE, RATES, Scene
from tests.factories import make_camera, make_day, make_entry, make_person


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


def read_timeline(report: HandoverReport) -> otio.schema.Timeline:
    timeline = otio.adapters.read_from_file(str(report.folder / "timeline.otio"))
    assert isinstance(timeline, otio.schema.Timeline)
    return timeline


def items_of(report: HandoverReport, track: int = 0) -> list[otio.schema.Clip]:
    return list(read_timeline(report).tracks[track])


def file_of(report: HandoverReport, item: otio.schema.Clip) -> Path:
    """Where an item's URL leads, resolved as RFC 3986 has it: from the folder the timeline stands in."""
    url = item.media_reference.target_url
    parts = urlsplit(url)
    assert parts.scheme in ("", "file") and not parts.netloc and not parts.query and not parts.fragment, url
    path = Path(os.fsdecode(unquote_to_bytes(parts.path)))
    return path if parts.scheme else report.folder / path


def content_of(file: File) -> bytes:
    return f"media of file {file.id}".encode()


def plain(value: Any) -> Any:
    """OpenTimelineIO's own dictionaries and lists as Python's."""
    if isinstance(value, Mapping):
        return {key: plain(one) for key, one in value.items()}
    return (
        [plain(one) for one in value] if isinstance(value, Sequence) and not isinstance(value, str) else value
    )


def exact(time: otio.opentime.RationalTime) -> tuple[int, Fraction]:
    """A time's whole value and the exact rate nearest to its double."""
    assert time.value == int(time.value)
    return int(time.value), Fraction(time.rate).limit_denominator(1001)


@pytest.mark.parametrize(("num", "den", "drop", "start", "frames"), RATES)
def test_every_frame_is_the_catalogues(
    scene: Scene, num: int, den: int, drop: bool, start: int, frames: int
) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"), rate_num=num, rate_den=den, drop_frame=drop, start_frame=start, frames=frames
    )
    (item,) = items_of(scene.hand_over(clip))
    rate = Rate(num, den)
    for span in (item.source_range, item.media_reference.available_range):
        assert exact(span.start_time) == (start, rate.fraction)
        assert exact(span.duration) == (frames, rate.fraction)
        assert span.start_time.rate == num / den, "the double nearest to the fraction"
        assert exact(span.end_time_exclusive())[0] == start + frames
    about = item.metadata["rushlight"]
    assert (about["rate"], about["drop_frame"]) == (f"{num}/{den}", drop)
    assert Timecode.parse(about["timecode"], rate).frames == start
    # Labels agree with OpenTimelineIO's own counting, where it knows the rate.
    if num != 60000:
        told = otio.opentime.to_timecode(item.source_range.start_time, num / den, drop)
        assert told == about["timecode"]


def test_mixed_rates_stand_in_time_order_with_their_own_frames(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    rates = [(24000, 1001), (50, 1), (30000, 1001), (25, 1), (24, 1), (60000, 1001)]
    clips = [
        scene.add_clip(reel, f"C{n}.MOV", rate_num=num, rate_den=den, frames=10 + n, start_frame=1000 * n)
        for n, (num, den) in enumerate(rates)
    ]
    report = scene.hand_over(*reversed(clips))
    items = items_of(report)
    assert [item.name for item in items] == [f"C{n}.MOV" for n in range(len(rates))]
    assert [exact(item.duration())[0] for item in items] == [10 + n for n in range(len(rates))]
    track = read_timeline(report).tracks[0]
    seconds = sum((Fraction((10 + n) * den, num) for n, (num, den) in enumerate(rates)), Fraction(0))
    assert abs(Fraction(track.duration().to_seconds()) - seconds) < Fraction(1, 10**9)


@pytest.mark.parametrize(
    ("num", "den", "drop", "first"),
    [
        (25, 1, False, 90000),
        (24000, 1001, False, 86400),
        (30000, 1001, False, 108000),
        (30000, 1001, True, 107892),  # SMPTE ST 12-1
        (60000, 1001, True, 215784),
        (50, 1, False, 180000),
        (120, 1, False, 432000),
    ],
)
def test_the_timeline_begins_at_one_hour(scene: Scene, num: int, den: int, drop: bool, first: int) -> None:
    production = scene.production
    production.rate_num, production.rate_den, production.drop_frame = num, den, drop
    report = scene.hand_over(scene.add_clip(scene.add_reel("A001")))
    timeline = read_timeline(report)
    assert exact(timeline.global_start_time) == (first, Fraction(num, den))
    assert timeline.metadata["rushlight"]["rate"] == f"{num}/{den}"
    assert [track.kind for track in timeline.tracks] == ["Video", "Audio"]


def test_a_spanning_clip_is_one_item_a_file(scene: Scene) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"), "C1.MOV", frames=350, start_frame=1000, facts={"frames": 200}
    )
    second = scene.add_part(clip, "C2.MOV", frames=100)
    third = scene.add_part(clip, "C3.MOV", frames=None)
    report = scene.hand_over(clip)
    items = items_of(report)
    spans = [(exact(i.source_range.start_time)[0], exact(i.source_range.duration)[0]) for i in items]
    assert spans == [(1000, 200), (1200, 100), (1300, 50)]
    assert [item.metadata["rushlight"]["timecode"] for item in items] == [
        "00:00:40:00",
        "00:00:48:00",
        "00:00:52:00",
    ]
    assert [item.metadata["rushlight"]["part"] for item in items] == [1, 2, 3]
    for item, file in zip(items, (clip.files[0].file, second, third), strict=True):
        assert file_of(report, item).read_bytes() == content_of(file)
        assert item.metadata["rushlight"]["hash"]["value"] == file.digest


def test_a_part_with_its_own_timecode_is_taken_at_its_word(scene: Scene) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"),
        "C1.MOV",
        frames=300,
        start_frame=2159900,
        facts={"frames": 200, "start_frame": 2159900},
    )
    scene.add_part(clip, "C2.MOV", frames=100, start_frame=100)  # past midnight
    items = items_of(scene.hand_over(clip))
    assert [exact(item.source_range.start_time)[0] for item in items] == [2159900, 100]


def test_a_spanning_clip_of_unknown_length_is_left_out_and_named(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), "C1.MOV", frames=None, facts={"frames": None})
    scene.add_part(clip, "C2.MOV", frames=100)
    report = scene.hand_over(clip)
    assert items_of(report) == []
    assert any(line.startswith("not on the timeline") and "A001/C1" in line for line in report.missing)


def test_without_timecode_an_item_counts_from_zero_and_says_so(scene: Scene) -> None:
    (item,) = items_of(scene.hand_over(scene.add_clip(scene.add_reel("A001"), start_frame=None)))
    assert exact(item.source_range.start_time)[0] == 0
    assert item.metadata["rushlight"]["timecode"] is None
    assert item.metadata["rushlight"]["start"] is None


def test_sound_only_clips_count_samples_on_the_audio_track(scene: Scene) -> None:
    reel = scene.add_reel("S001")
    clip = scene.add_clip(
        reel,
        "T001.WAV",
        media=ClipMedia.AUDIO,
        rate_num=48000,
        rate_den=1,
        frames=96001,
        start_frame=48000 * 3600 + 7,
    )
    scene.add_clip(reel, "photo.JPG", media=ClipMedia.IMAGE, rate_num=None, frames=None)
    report = scene.hand_over(*scene.every_clip())
    assert items_of(report, 0) == []
    (item,) = items_of(report, 1)
    assert exact(item.source_range.start_time) == (48000 * 3600 + 7, Fraction(48000))
    assert exact(item.source_range.duration) == (96001, Fraction(48000))
    assert item.metadata["rushlight"]["timecode"] == "01:00:00:00"
    assert file_of(report, item).read_bytes() == content_of(clip.files[0].file)


def test_moments_are_markers_in_the_items_own_space(scene: Scene) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"), "C1.MOV", frames=300, start_frame=5000, facts={"frames": 200}
    )
    scene.add_part(clip, "C2.MOV", frames=100)
    scene.add_moment(clip, 10, 20, "first", note="the bell\nrings", rating="circled")
    scene.add_moment(clip, 190, 215, "over the seam")
    scene.add_moment(clip, 400, 500, "outside")
    first, second = items_of(scene.hand_over(clip))
    spans = [
        (marker.name, exact(marker.marked_range.start_time)[0], exact(marker.marked_range.duration)[0])
        for item in (first, second)
        for marker in item.markers
    ]
    assert spans == [("first", 5010, 10), ("over the seam", 5190, 10), ("over the seam", 5200, 15)]
    for item in (first, second):
        for marker in item.markers:
            span, marked = item.source_range, marker.marked_range
            assert span.start_time <= marked.start_time
            assert marked.end_time_exclusive() <= span.end_time_exclusive()
    assert first.markers[0].comment == "the bell\nrings"
    assert first.markers[0].metadata["rushlight"]["log"]["rating"] == "circled"


def test_what_was_logged_is_in_our_own_namespace(scene: Scene) -> None:
    session, production = scene.session, scene.production
    day = make_day(session, production, number=3)
    camera = make_camera(session, production, letter="B")
    clip = scene.add_clip(
        scene.add_reel("B001", camera_id=camera.id, day_id=day.id), "C1.MOV", start_frame=90000
    )
    make_entry(
        session,
        clip,
        people=[make_person(session, production, "Nell Harrowby", role="ferrywoman")],
        kind="interview",
        note="a\x00b",
    )
    (item,) = items_of(scene.hand_over(clip))
    about = item.metadata["rushlight"]
    assert list(item.metadata) == ["rushlight"]
    assert (about["clip_id"], about["clip"], about["reel"], about["camera"], about["day"]) == (
        clip.id,
        "C1",
        "B001",
        "B",
        3,
    )
    assert (about["tc_in"], about["tc_out"], about["start"], about["count"]) == (
        "01:00:00:00",
        "01:00:04:00",
        90000,
        100,
    )
    assert plain(about["log"]) == {
        "kind": "interview",
        "note": "a\\u0000b",
        "people": [{"name": "Nell Harrowby", "role": "ferrywoman"}],
        "tags": [],
    }
    assert item.media_reference.metadata["rushlight"]["hash"]["value"] == clip.files[0].file.digest


# --- where the files are ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", HOSTILE, ids=[repr(name[:20]) for name in HOSTILE])
def test_a_url_leads_to_the_real_file_whatever_its_name(scene: Scene, name: bytes) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), b"DCIM/100 A/" + name)
    report = scene.hand_over(clip)
    (item,) = items_of(report)
    url = item.media_reference.target_url
    assert url.isascii() and not set(url) & set(' "<>\\^`{|}\n'), "RFC 3986, section 2: no such letter"
    assert url.startswith("../../drive%20a/")
    assert file_of(report, item).read_bytes() == content_of(clip.files[0].file)
    assert item.name.isprintable()


def test_a_copy_known_to_be_wrong_is_never_pointed_at(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"))
    file = clip.files[0].file
    first, second = sorted(file.copies, key=lambda copy: copy.destination_id)
    first.state = CopyState.DIFFERS
    report = scene.hand_over(clip)
    assert file_of(report, items_of(report)[0]).resolve().is_relative_to(scene.destinations[1].path)
    second.state = CopyState.MISSING
    (item,) = items_of(scene.hand_over(clip))
    assert isinstance(item.media_reference, otio.schema.MissingReference)
    assert exact(item.media_reference.available_range.duration)[0] == 100
    second.state = CopyState.WRITTEN
    (item,) = items_of(scene.hand_over(clip))
    assert "drive-b" in item.media_reference.target_url


def test_a_copy_that_is_there_goes_before_one_that_is_not(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), "C1.MOV")
    (Path(scene.destinations[0].path) / clip.reel.folder / "C1.MOV").unlink()
    report = scene.hand_over(clip)
    assert file_of(report, items_of(report)[0]).read_bytes() == content_of(clip.files[0].file)


def test_a_drive_out_of_reach_is_named_by_an_absolute_url(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), "C 1.MOV")
    for destination in scene.destinations:
        Path(destination.path).rename(f"{destination.path} unplugged")
    report = scene.hand_over(clip)
    (item,) = items_of(report)
    assert item.media_reference.target_url.startswith("file:///")
    assert file_of(report, item) == Path(scene.destinations[0].path) / clip.reel.folder / "C 1.MOV"
    assert "NOT reachable" in " ".join((report.folder / "README.txt").read_text().split())


@pytest.mark.parametrize(
    ("root", "url"),
    [
        (PurePosixPath("/Volumes/Film 1"), "file:///Volumes/Film%201/the-chain-ferry/A001/C%201.MOV"),
        (PurePosixPath("/"), "file:///the-chain-ferry/A001/C%201.MOV"),
        (PureWindowsPath("E:/"), "file:///E:/the-chain-ferry/A001/C%201.MOV"),
        (PureWindowsPath("E:/Film"), "file:///E:/Film/the-chain-ferry/A001/C%201.MOV"),
    ],
)
def test_a_place_can_be_named_as_the_editor_sees_it(
    scene: Scene, root: PurePosixPath | PureWindowsPath, url: str
) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), "C 1.MOV")
    for key in ("drive-b", scene.destinations[1].path):
        (item,) = items_of(scene.hand_over(clip, media_roots={key: root}))
        assert item.media_reference.target_url == url
    with pytest.raises(UsageError, match="not absolute"):
        scene.hand_over(clip, media_roots={"drive-b": PurePosixPath("Film")})


def test_a_long_timeline_survives_the_round_trip(scene: Scene) -> None:
    reel = scene.add_reel("A001")
    clips = [scene.add_clip(reel, f"C{n}.MOV", start_frame=n * 1000, frames=n + 1) for n in range(60)]
    report = scene.hand_over(*clips)
    timeline = read_timeline(report)
    text = otio.adapters.write_to_string(timeline, "otio_json")
    assert json.loads(text) == json.loads((report.folder / "timeline.otio").read_text())
    assert [exact(item.source_range.start_time)[0] for item in timeline.tracks[0]] == [
        n * 1000 for n in range(60)
    ]
