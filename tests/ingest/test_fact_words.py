"""The small parts of facts: numbers as text, timecode labels, kinds of file, and the way through JSON."""

from __future__ import annotations

import dataclasses
import json
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import String

from ingest.media import facts as words
from ingest.media.facts import Described, Facts, Noticed, StillTaken
from ingest.media.kinds import kind_of
from ingest.media.labels import start_of
from ingest.media.numbers import snapped_rate, snapped_shape
from shared.models import Severity, StillKind, TakeFacts


# Exact rates and what a report with three decimals makes of them (rounding to half of the last digit).
@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("23.976", Fraction(24000, 1001)),
        ("23.98", Fraction(24000, 1001)),
        ("24.000", Fraction(24)),
        ("25.000", Fraction(25)),
        ("29.970", Fraction(30000, 1001)),
        ("30.000", Fraction(30)),
        ("59.940", Fraction(60000, 1001)),
        ("119.880", Fraction(120000, 1001)),
        ("29.969", None),
        ("23.970", None),
        ("14.985", None),
        ("24", None),  # 24 and 23.976 both round to it
        ("0.000", None),
        ("-25.000", None),
        ("nan", None),
        ("1e3", None),
        ("99999.000", None),
        (None, None),
    ],
)
def test_a_decimal_is_snapped_only_to_what_it_is_the_rounding_of(text: Any, rate: Fraction | None) -> None:
    assert snapped_rate(text) == rate


def test_every_usual_rate_survives_its_three_decimals() -> None:
    for rate in (Fraction(n * 1000, 1001) for n in (24, 30, 48, 60, 120)):
        assert snapped_rate(f"{float(rate):.3f}") == rate
    assert snapped_shape("1.422") == Fraction(64, 45) and snapped_shape("1.500") == Fraction(3, 2)
    assert snapped_shape("1.1") is None, "12/11 and others round to it"


def _other(text: str, flag: str | None = None, **more: str) -> dict[str, str]:
    track = {"@type": "Other", "Type": "Time code", "TimeCode_FirstFrame": text, **more}
    return track if flag is None else {**track, "TimeCode_DropFrame": flag}


def test_drop_frame_is_the_flags_word_before_the_marks() -> None:
    rate = Fraction(30000, 1001)
    start, noticed = start_of([_other("01:00:00:00", "Yes")], {}, rate)
    assert start is not None and noticed == []
    # SMPTE ST 12-1: one hour of drop-frame labels is 107,892 frames
    assert (start.label.text, start.label.drop_frame, start.frame) == ("01:00:00;00", True, 107_892)
    start, _ = start_of([_other("01:00:00;00", "No")], {}, rate)
    assert start is not None and (start.label.drop_frame, start.frame) == (False, 108_000)


def test_a_timecode_track_that_counts_pairs_is_converted_to_pictures() -> None:
    track = _other("01:00:00:12", "No", FrameRate_Num="25", FrameRate_Den="1", Format="QuickTime TC")
    start, noticed = start_of([track], {}, Fraction(50))
    assert start is not None and start.frame == 2 * (3600 * 25 + 12)
    assert [(one.code, one.severity) for one in noticed] == [("timecode-pairs", "note")]
    track = _other("00:10:00;00", "Yes", FrameRate_Num="30000", FrameRate_Den="1001")
    start, _ = start_of([track], {}, Fraction(60000, 1001))
    # SMPTE ST 12-1: ten minutes are 17,982 frames at 29.97, so twice as many pictures at 59.94
    assert start is not None and start.frame == 35_964


@pytest.mark.parametrize(
    ("text", "flag", "rate"),
    [
        ("00:01:00;00", "Yes", Fraction(30000, 1001)),  # a label that drop-frame leaves out
        ("25:00:00:00", "No", Fraction(25)),
        ("00:00:00:25", "No", Fraction(25)),
        ("01:00:00;00", "Yes", Fraction(25)),  # there is no drop-frame at 25
        ("rubbish", None, Fraction(25)),
    ],
)
def test_an_impossible_timecode_is_kept_as_text_with_a_finding(
    text: str, flag: str | None, rate: Fraction
) -> None:
    start, noticed = start_of([_other(text, flag)], {}, rate)
    assert start is not None and start.frame is None
    assert [one.code for one in noticed] == ["timecode-invalid"]


def test_two_places_that_disagree_are_a_finding_and_the_track_wins() -> None:
    tracks = [
        {"@type": "Video", "TimeCode_FirstFrame": "02:00:00:00"},
        _other("01:00:00:00", Format="QuickTime TC"),
    ]
    start, noticed = start_of(tracks, {}, Fraction(25))
    assert start is not None and start.label.place == "timecode track"
    assert [one.code for one in noticed] == ["timecode-conflict"]
    # ISO/IEC 13818-2: each group of pictures carries a time code; zero is the default of encoders
    assert start_of([{"@type": "Video", "TimeCode_FirstFrame": "00:00:00:00"}], {}, Fraction(25)) == (
        None,
        [],
    )


def test_the_words_are_those_of_the_catalogue() -> None:
    columns = {column.name: column for column in TakeFacts.__table__.columns}
    assert [field.name for field in dataclasses.fields(Facts)] == [
        name for name in columns if name not in ("id", "file_id")
    ]
    lengths = {
        name: column.type.length for name, column in columns.items() if isinstance(column.type, String)
    }
    assert lengths == dict(words.TEXT_LIMITS)
    assert {words.NOTE, words.WARNING, words.FAULT} == {str(one) for one in Severity}
    assert {words.FRAME, words.WAVEFORM, words.PLACEHOLDER} == {str(one) for one in StillKind}


_texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=16)


@given(
    st.builds(
        Facts,
        container=st.none() | _texts,
        width=st.none() | st.integers(0, 2**62),
        drop_frame=st.none() | st.booleans(),
        start_timecode=st.none() | _texts,
        more=st.dictionaries(_texts, _texts | st.integers(-(2**53), 2**53), max_size=4),
    ),
    st.lists(st.builds(Noticed, _texts, _texts, _texts, st.none() | st.floats(allow_nan=False)), max_size=3),
)
def test_a_description_survives_its_json(facts: Facts, noticed: list[Noticed]) -> None:
    still = StillTaken(0, "frame", 12, "a-0.jpg", 640, 360)
    described = Described(facts, (still,), tuple(noticed))
    assert Described.from_json(json.loads(json.dumps(described.to_json()))) == described


@pytest.mark.parametrize(
    "junk",
    [
        None,
        [],
        {"facts": None},
        {"facts": {"width": "640"}, "stills": [], "noticed": []},
        {"facts": {"width": True}, "stills": [], "noticed": []},
        {"facts": {"width": 2**70}, "stills": [], "noticed": []},
        {"facts": {"container": "x" * 65}, "stills": [], "noticed": []},
        {"facts": {"colour": "red"}, "stills": [], "noticed": []},
        {"facts": None, "stills": [{"ordinal": 0}], "noticed": []},
        {"facts": None, "stills": {}, "noticed": []},
        {"facts": None, "stills": [], "noticed": [{"code": "a", "severity": None, "message": "b"}]},
    ],
)
def test_a_description_that_no_child_would_give_is_refused(junk: Any) -> None:
    with pytest.raises(ValueError):
        Described.from_json(junk)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        (b"DCIM/100FERRY/C0001.MP4", "video"),
        (b"A.b.MOV", "video"),
        (b"take.Wav", "audio"),
        (b"photo.DNG", "image"),
        (b"C0001M01.XML", "sidecar"),
        (b"a.lrf", "video"),
        (b"no-suffix", None),
        (b".mp4", None),
        (b"dir.mp4/README", None),
        (b"._C0001.MP4", None),
        (b"\xff\xfe.mov", "video"),
        (b"list.m3u8", None),
    ],
)
def test_kind_by_suffix(name: bytes, kind: str | None) -> None:
    assert kind_of(name) == kind
