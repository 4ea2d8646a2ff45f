"""An outline handed over, read back with OpenTimelineIO and its CMX 3600 adapter: source and record frames.

The oracle for places is arithmetic with fractions, done here anew: a range of n frames at rate r takes
floor(n / r * R) frames of the edit rate R, at least one, and every item begins where the one before it ends.
Labels are counted by `shared/timecode.py`, which has tests against SMPTE ST 12-1 of its own, and by the
adapter's own reader where it knows the rate.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from fractions import Fraction
from math import floor
from pathlib import Path
from typing import Any

import opentimelineio as otio
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from api.handover import HandoverReport
from api.handover.outline_lists import picture_events, sound_events
from api.handover.outline_timeline import make_outline_timeline
from api.handover.paper_edit import PaperEdit, gather_outlines, shots_of
from api.handover.places import look_at_places
from api.handover.shots import gather_handover
from shared.catalogue.outlines import add_item, change_item, make_outline
from shared.catalogue.rows import RowsEdit
from shared.models import Clip, ClipMedia, ItemKind, OutlineItem, Production, Release, ReleaseKind
from shared.timecode import Rate, Timecode
from tests.api.handover_cases import MADE_AT, Scene
from tests.factories import make_person

EDITS = (
    pytest.param(24000, 1001, False, id="23.976"),
    pytest.param(24, 1, False, id="24"),
    pytest.param(25, 1, False, id="25"),
    pytest.param(30000, 1001, True, id="29.97 drop-frame"),
    pytest.param(30000, 1001, False, id="29.97 non-drop"),
    pytest.param(50, 1, False, id="50"),
)
# Rate, counting, start and length of a clip each.
CLIPS = (
    (24000, 1001, False, 86_399, 3000),
    (24, 1, False, 86_400, 3000),
    (25, 1, False, 90_000, 3000),
    (30000, 1001, True, 17_980, 3000),  # 00:09:59;28, over a minute that drops none
    (30000, 1001, False, 107_999, 3000),
    (50, 1, False, 180_049, 3000),
    (60000, 1001, True, 215_784, 3000),
)


class Cutting:
    """A scene with a clip of every rate and a sound, and a way to put them in order."""

    def __init__(
        self, session: Session, production: Production, base: Path, edit: tuple[int, int, bool]
    ) -> None:
        production.rate_num, production.rate_den, production.drop_frame = edit
        session.flush()
        self.scene = Scene(session, production, base)
        reel = self.scene.add_reel("A-long-reel-name")
        self.clips = [
            self.scene.add_clip(
                reel,
                f"C{n}.MOV",
                rate_num=num,
                rate_den=den,
                drop_frame=drop,
                start_frame=start,
                frames=frames,
            )
            for n, (num, den, drop, start, frames) in enumerate(CLIPS)
        ]
        self.sound = self.scene.add_clip(
            self.scene.add_reel("S001"), "T.WAV", media=ClipMedia.AUDIO, rate_num=48_000, rate_den=1,
            frames=4_800_000, facts={"samples": 4_800_000, "more": {"time_reference_samples": 1_728_048_000}},
        )  # fmt: skip
        self.edit = RowsEdit(session, production, "ada", "an outline")
        self.outline = make_outline(self.edit, "The film: “fast”")

    @property
    def rate(self) -> Rate:
        return self.scene.production.rate

    def add(self, clip: Clip, first: int, end: int, kind: ItemKind = ItemKind.SCENE) -> OutlineItem:
        return add_item(self.edit, self.outline, kind, {"parts": [_range(clip, first, end)]})

    def title(self, milliseconds: int) -> OutlineItem:
        return add_item(self.edit, self.outline, ItemKind.TITLE, {"name": "1932", "length_ms": milliseconds})

    def cover(self, item: OutlineItem, clip: Clip, first: int, end: int, at: int) -> None:
        change_item(self.edit, item, {"covers": [{"clip": clip.id, "in": first, "out": end, "at": at}]})

    def paper(self) -> PaperEdit:
        self.scene.session.flush()
        (found,) = gather_outlines(self.scene.session, self.scene.production)
        return found

    def timeline(self, paper: PaperEdit) -> otio.schema.Timeline:
        """As it is read back from its JSON."""
        session, production = self.scene.session, self.scene.production
        handover = gather_handover(session, production, self.clips, query="", made_at=MADE_AT)
        places = look_at_places(shots_of([paper]), {})
        made = make_outline_timeline(handover, paper, places, self.scene.base)
        return otio.adapters.read_from_string(otio.adapters.write_to_string(made, "otio_json"), "otio_json")


def _range(clip: Clip, first: int, end: int) -> dict[str, Any]:
    return {"clip": clip.id, "in": first, "out": end}


def room(clip: Clip, count: int, rate: Rate) -> int:
    """Edit frames of a range, by the rule, worked out anew."""
    assert clip.rate_num is not None and clip.rate_den is not None
    return max(1, floor(Fraction(count * clip.rate_den, clip.rate_num) * rate.fraction))


def whole(value: float) -> int:
    assert value == round(value), f"{value} is no whole frame"
    return round(value)


def spans(track: otio.schema.Track) -> Iterator[tuple[otio.schema.Item, int, int]]:
    """Each item with its first record frame and its length, as the library reckons them."""
    for item in track:
        place = track.range_of_child(item)
        yield item, whole(place.start_time.value), whole(place.duration.value)


@pytest.fixture
def cutting(
    request: pytest.FixtureRequest, session: Session, production: Production, tmp_path: Path
) -> Cutting:
    return Cutting(session, production, tmp_path, getattr(request, "param", (25, 1, False)))


def handed_over(cutting: Cutting) -> HandoverReport:
    return cutting.scene.hand_over(*cutting.clips)


@pytest.mark.parametrize(("num", "den", "drop"), EDITS)
def test_every_frame_of_an_outline_comes_back(
    session: Session, production: Production, tmp_path: Path, num: int, den: int, drop: bool
) -> None:
    """Clips of every rate in one outline of each edit rate: in the timeline, and in the lists."""
    cutting = Cutting(session, production, tmp_path, (num, den, drop))
    rate = cutting.rate
    cutting.title(2000)
    for n, clip in enumerate(cutting.clips):
        cutting.add(clip, 100 + n, 250 + 2 * n)
    report = handed_over(cutting)
    timeline = otio.adapters.read_from_file(str(report.folder / "outline_the_film_fast.otio"))
    assert (
        whole(timeline.global_start_time.value)
        == Timecode.parse("01:00:00;00" if drop else "01:00:00:00", rate).frames
    )
    at = rate.nearest_frame(Fraction(2))
    for name in ("V1", "A1"):
        track = next(one for one in timeline.tracks if one.name == name)
        items = list(spans(track))
        assert isinstance(items[0][0], otio.schema.Gap) and items[0][1:] == (0, at)
        place = at
        for (item, start, frames), (n, clip) in zip(items[1:], enumerate(cutting.clips), strict=True):
            first, count = CLIPS[n][3] + 100 + n, 150 + n
            own = Fraction(CLIPS[n][0], CLIPS[n][1])
            assert (start, frames) == (place, room(clip, count, rate))
            assert whole(item.source_range.start_time.value) == first
            assert item.source_range.start_time.rate == pytest.approx(float(own), abs=1e-9)
            assert item.source_range.duration.rate == float(rate.fraction)
            told = item.metadata["rushlight"]
            assert (told["source_first"], told["source_count"]) == (first, count)
            assert (told["record_first"], told["record_count"]) == (start, frames)
            place += frames
    _check_lists(report, cutting, rate, drop, at)


def _check_lists(report: HandoverReport, cutting: Cutting, rate: Rate, drop: bool, gap: int) -> None:
    start = Timecode.parse("01:00:00;00" if drop else "01:00:00:00", rate).frames
    for what, track in (("picture", "V"), ("sound", "A")):
        text = (report.folder / f"edit_lists/outline_the_film_fast_{what}_1.edl").read_text(encoding="ascii")
        assert f"FCM: {'DROP FRAME' if drop else 'NON-DROP FRAME'}\n" in text
        lines = [line.split() for line in text.splitlines() if line[:3].isdigit()]
        assert lines[0][:4] == ["001", "BL", track, "C"]
        record = start
        lengths = [gap, *(room(clip, 150 + n, rate) for n, clip in enumerate(cutting.clips))]
        for n, (line, length) in enumerate(zip(lines, lengths, strict=True)):
            s_in, s_out, r_in, r_out = (Timecode.parse(label, rate, drop).frames for label in line[4:])
            assert (r_in, r_out, s_out - s_in) == (record, record + length, length)
            record = r_out
            if n:
                assert line[1] == "A_LO0001"
                assert s_in == _listed(n - 1, rate, drop)
        _check_read_back(text, rate, lengths)


def _listed(n: int, rate: Rate, drop: bool) -> int:
    """Where a list has the clip's frame: exact at its own counting, else by its label, frames scaled."""
    num, den, own_drop, first, _ = CLIPS[n]
    own = Rate(num, den)
    if (own, own_drop) == (rate, drop):
        return first + 100 + n
    label = str(Timecode(first + 100 + n, own, own_drop))
    hours, minutes, seconds = (int(label[place : place + 2]) for place in (0, 3, 6))
    frame = int(label[9:]) * rate.nominal // own.nominal
    dropped = 0
    if drop:
        minute = hours * 60 + minutes
        dropped = 2 * (minute - minute // 10)
        frame = max(frame, 2) if seconds == 0 and minutes % 10 else frame
    return ((hours * 60 + minutes) * 60 + seconds) * rate.nominal + frame - dropped


def _check_read_back(text: str, rate: Rate, lengths: list[int]) -> None:
    timeline = otio.adapters.read_from_string(text, "cmx_3600", rate=float(rate.fraction))
    (track,) = timeline.tracks
    at = 0
    for (item, start, frames), length in zip(spans(track), lengths, strict=True):
        assert (start, frames) == (at, length)
        at += length
        assert (at == lengths[0]) == isinstance(item.media_reference, otio.schema.GeneratorReference)


def test_cover_lies_on_a_second_track_and_is_cut_into_the_list(cutting: Cutting) -> None:
    clip, fast = cutting.clips[2], cutting.clips[5]
    cutting.title(1000)
    item = cutting.add(clip, 0, 100, ItemKind.QUOTE)
    cutting.cover(item, fast, 20, 81, 30)  # 61 frames at 50 take 30 at 25
    paper = cutting.paper()
    timeline = cutting.timeline(paper)
    assert [track.name for track in timeline.tracks] == ["V1", "V2", "A1"]
    v2 = [(type(one).__name__, start, frames) for one, start, frames in spans(timeline.tracks[1])]
    assert v2 == [("Gap", 0, 55), ("Clip", 55, 30)]
    assert [(one.reel, one.start, one.count) for one in picture_events(paper)] == [
        (None, 0, 25),
        ("A-long-reel-name", 90_000, 30),
        ("A-long-reel-name", _label_at(180_049 + 20), 30),
        ("A-long-reel-name", 90_060, 40),
    ]
    assert [(one.reel, one.start, one.count, one.track) for one in sound_events(paper)] == [
        (None, 0, 25, "A"), ("A-long-reel-name", 90_000, 100, "A"),
    ]  # fmt: skip
    notes = picture_events(paper)[2].notes
    assert "FRAMES 180069 TO 180130 AT 50 A SECOND, OUT EXCLUSIVE" in notes


def _label_at(frame: int) -> int:
    """A count at 50 as one at 25 with the same hours, minutes and seconds."""
    return frame // 50 * 25 + frame % 50 // 2


def test_a_sound_is_heard_where_nothing_is_seen(cutting: Cutting) -> None:
    cutting.add(cutting.sound, 48_000, 144_000, ItemKind.MUSIC)
    paper = cutting.paper()
    pictures, sounds = cutting.timeline(paper).tracks
    assert [type(one).__name__ for one in pictures] == ["Gap"]
    (item,) = sounds
    assert whole(item.source_range.start_time.value) == 1_728_048_000 + 48_000
    assert (item.source_range.start_time.rate, whole(item.source_range.duration.value)) == (48_000, 50)
    (event,) = sound_events(paper)
    assert (event.start, event.count) == (36_001 * 25 + 25, 50), "10:00:01 of the day, and a second on"


def test_a_range_over_two_files_is_two_items(cutting: Cutting) -> None:
    scene = cutting.scene
    clip = scene.add_clip(
        scene.add_reel("B001"), "S1.MOV", rate_num=50, rate_den=1, start_frame=500, frames=205,
        facts={"frames": 101},
    )  # fmt: skip
    scene.add_part(clip, "S2.MOV", rate_num=50, rate_den=1, frames=104)
    cutting.clips.append(clip)
    cutting.add(clip, 90, 121)  # 31 frames at 50: 15 edit frames, of which 6 begin in the first file
    track = cutting.timeline(cutting.paper()).tracks[0]
    found = [(one.name, whole(one.source_range.start_time.value), frames) for one, _, frames in spans(track)]
    assert found == [("S1.MOV", 590, 6), ("S2.MOV", 602, 9)]


def test_what_is_marked_stands_in_the_items_own_space(cutting: Cutting) -> None:
    clip = cutting.clips[2]
    cutting.scene.add_moment(clip, 90, 130, "she laughs", note="twice")
    cutting.scene.add_moment(clip, 500, 600, "elsewhere")
    cutting.title(2000)
    cutting.add(clip, 100, 200)
    gap, item = cutting.timeline(cutting.paper()).tracks[0]
    (told,) = gap.markers
    assert (told.name, whole(told.marked_range.duration.value)) == ("title 1932", 50)
    (marker,) = item.markers
    assert (marker.name, marker.comment) == ("she laughs", "twice")
    span = marker.marked_range
    assert (whole(span.start_time.value), whole(span.duration.value)) == (90_100, 30)


def test_the_paper_edit_is_a_page_and_a_table(cutting: Cutting) -> None:
    clip = cutting.clips[2]
    quote = {**_range(clip, 0, 100), "speaker": "Ada <b>", "words": "=The river decides"}
    add_item(cutting.edit, cutting.outline, ItemKind.QUOTE, {"parts": [quote, _range(clip, 200, 250)]})
    cutting.title(2000)
    report = handed_over(cutting)
    text = (report.folder / "outline_the_film_fast.csv").read_bytes().decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [(row["item"], row["part"], row["tc_in"], row["tc_out"], row["starts_at"], row["frames"])
            for row in rows] == [
        ("1", "part 1 of 2", "01:00:00:00", "01:00:04:00", "00:00:00:00", "100"),
        ("1", "part 2 of 2", "01:00:08:00", "01:00:10:00", "00:00:04:00", "50"),
        ("2", "", "", "", "00:00:06:00", "50"),
    ]  # fmt: skip
    assert rows[0]["words"] == "'=The river decides", "no spreadsheet runs it"
    assert "nobody checked" in rows[0]["look_at"]
    page = (report.folder / "outline_the_film_fast.html").read_text()
    assert "Ada &lt;b&gt;" in page and "<b>" not in page and "00:00:08:00" in page
    assert "http" not in page.replace("http-equiv", ""), "it asks nobody for anything"
    assert "outline_the_film_fast.otio" in (report.folder / "README.txt").read_text()


def test_a_profile_holds_for_outlines_too(cutting: Cutting) -> None:
    """What is left out of the hand-over's words is in no file of an outline."""
    session, production = cutting.scene.session, cutting.scene.production
    minor = make_person(session, production, "Ida Moss")
    session.add(Release(production_id=production.id, kind=ReleaseKind.MINOR, person_id=minor.id))
    words = "I am Ida Moss, 0170 555 01 23, ida@example.org."
    part = {**_range(cutting.clips[2], 0, 100), "speaker": "Ida Moss", "words": words}
    cutting.scene.add_moment(cutting.clips[2], 10, 20, "Ida Moss waves")
    values = {"parts": [part], "note": "call +47 22 12 34 56"}
    add_item(cutting.edit, cutting.outline, ItemKind.QUOTE, values)
    report = cutting.scene.hand_over(*cutting.clips, left_out=("minors", "contacts"))
    names = [name for name in report.files if "outline" in name]
    assert len(names) == 5
    for name in names:
        text = (report.folder / name).read_bytes().decode()
        for hidden in ("Ida", "555", "example.org", "22 12"):
            assert hidden not in text, f"{name}: {hidden}"
    assert "[name left out]" in (report.folder / "outline_the_film_fast.html").read_text()


def test_no_outline_no_file(cutting: Cutting) -> None:
    assert [name for name in handed_over(cutting).files if "outline" in name] == []


SHOTS = st.lists(
    st.tuples(
        st.integers(0, len(CLIPS) - 1),
        st.integers(0, 2000),
        st.integers(1, 600),
        st.integers(0, 300),
        st.booleans(),
    ),
    min_size=1,
    max_size=5,
)


@pytest.mark.parametrize("edit", [(24000, 1001, False), (25, 1, False), (30000, 1001, True)])
@given(shots=SHOTS)
@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_outline_comes_back_whole(
    session: Session, production: Production, tmp_path_factory: pytest.TempPathFactory,
    edit: tuple[int, int, bool], shots: list[tuple[int, int, int, int, bool]],
) -> None:  # fmt: skip
    """Picture and sound fill their tracks; every source and record frame is the rule's; the lists too."""
    savepoint = session.begin_nested()
    cutting = Cutting(session, production, tmp_path_factory.mktemp("cut"), edit)
    place, wanted = 0, []
    for n, first, count, at, covered in shots:
        clip = cutting.clips[n]
        item = cutting.add(clip, first, first + count)
        if covered:
            cutting.cover(item, cutting.clips[2], first, first + 40, at)
        frames = room(clip, count, cutting.rate)
        wanted.append((place, frames, CLIPS[n][3] + first))
        place += frames
    paper = cutting.paper()
    assert paper.layout.frames == place
    timeline = cutting.timeline(paper)
    for track in timeline.tracks:
        found = [
            (start, frames, whole(item.source_range.start_time.value)) for item, start, frames in spans(track)
        ]
        if track.name != "V2":
            assert found == wanted
    for events in (picture_events(paper), sound_events(paper)):
        assert sum(event.count for event in events) == place and all(event.count > 0 for event in events)
    assert json.loads(timeline.to_json_string())["metadata"]["rushlight"]["frames"] == place
    savepoint.rollback()
