"""Rates, arithmetic and the properties that hold for every rate and label."""

from __future__ import annotations

import copy
import pickle
from dataclasses import FrozenInstanceError
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from shared.errors import TimecodeError
from shared.timecode import Rate, Timecode, duration_frames

PAL, NTSC, NTSC_60 = Rate(25), Rate(30000, 1001), Rate(60000, 1001)
PLAIN = "23.976 24 25 29.97 30 47.95 48 50 59.94 60 100 119.88 120 240 1000 25/2 15000/1001 1 1/10"
COUNTINGS = [(NTSC, True), (NTSC_60, True), *((Rate.parse(text), False) for text in PLAIN.split())]
# fmt: off
NOT_RATES = [
    "", " 25", "25 ", "25\n", "0", "0/1", "25/0", "0.0", "-25", "+25", "1001", "1000001/1000", "30000/-1001",
    "12.5", "23.97", "29.98", "25.", ".5", "24000 / 1001", "24000/1001/1", "24000/1001.0", "1e2", "0x19",
    "2_5", "inf", "nan", "25fps", "29,97", "\u0662\u0665", "9" * 100_000, "23.976" + "0" * 100_000 + "1",
]
# fmt: on


# --- rates -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "exact", "nominal", "label"),
    [
        ("23.976", "24000/1001", 24, "23.976"),
        ("23.98", "24000/1001", 24, "23.976"),
        ("24000/1001", "24000/1001", 24, "23.976"),
        ("48000/2002", "24000/1001", 24, "23.976"),
        ("24", "24", 24, "24"),
        ("25", "25", 25, "25"),
        ("25.000", "25", 25, "25"),
        ("50/2", "25", 25, "25"),
        ("29.97", "30000/1001", 30, "29.97"),
        ("29.970", "30000/1001", 30, "29.97"),
        ("30", "30", 30, "30"),
        ("47.95", "48000/1001", 48, "47.95"),
        ("47.952", "48000/1001", 48, "47.95"),
        ("50", "50", 50, "50"),
        ("59.94", "60000/1001", 60, "59.94"),
        ("119.88", "120000/1001", 120, "119.88"),
        ("120", "120", 120, "120"),
        ("1000", "1000", 1000, "1000"),
        ("25/2", "25/2", 13, "25/2"),
        ("15000/1001", "15000/1001", 15, "15000/1001"),
        ("1/10", "1/10", 1, "1/10"),
    ],
)
def test_rate_spellings(text: str, exact: str, nominal: int, label: str) -> None:
    rate = Rate.parse(text)
    assert (str(rate), rate.nominal, rate.label) == (exact, nominal, label)
    assert rate.fraction == Fraction(exact)
    assert Rate.parse(rate.label) == rate == Rate.parse(str(rate))


@pytest.mark.parametrize("text", NOT_RATES, ids=[ascii(text)[:24] for text in NOT_RATES])
def test_rates_refused(text: str) -> None:
    with pytest.raises(TimecodeError) as caught:
        Rate.parse(text)
    assert caught.value.remedy
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize(
    ("num", "den"), [(0, 1), (-25, 1), (25, 0), (25, -1), (-25, -1), (1001, 1), (10**20, 1)]
)
def test_rate_out_of_range(num: int, den: int) -> None:
    with pytest.raises(TimecodeError, match="out of range"):
        Rate(num, den)


# --- arithmetic --------------------------------------------------------------------------------------


def test_adding_wraps_at_midnight() -> None:
    assert str(Timecode.parse("23:59:59:24", PAL) + 1) == "00:00:00:00"
    assert str(Timecode.parse("00:00:00:00", PAL) - 1) == "23:59:59:24"
    assert str(Timecode.parse("00:00:59;29", NTSC) + 1) == "00:01:00;02"
    assert str(Timecode.parse("00:00:00;00", NTSC_60) - 1) == "23:59:59;59"
    assert str(Timecode.parse("00:00:00:119", Rate(120)) + 1) == "00:00:01:000"


@pytest.mark.parametrize(
    ("rate", "text"),
    [
        (1, "00:00:00:00"),
        (10, "00:00:00:09"),
        (100, "00:00:00:99"),
        (101, "00:00:00:100"),
        (1000, "00:00:00:999"),
    ],
)
def test_frames_field_has_two_digits_until_it_needs_three(rate: int, text: str) -> None:
    assert str(Timecode(rate - 1, Rate(rate))) == text
    assert Timecode.parse(text, Rate(rate)).frames == rate - 1


def test_duration_counts_up_to_the_out() -> None:
    def between(first: str, last: str, rate: Rate) -> int:
        return duration_frames(Timecode.parse(first, rate), Timecode.parse(last, rate))

    assert between("10:00:00:00", "10:00:01:00", PAL) == 25
    assert between("10:00:00:00", "10:00:00:00", PAL) == 0
    assert between("23:59:59:00", "00:00:01:00", PAL) == 50
    assert between("00:00:59;28", "00:01:00;02", NTSC) == 2
    assert between("23:59:59;29", "00:00:00;01", NTSC) == 2
    with pytest.raises(TimecodeError, match="count differently"):
        duration_frames(Timecode(0, PAL), Timecode(0, Rate(50)))
    with pytest.raises(TimecodeError, match="count differently"):
        duration_frames(Timecode(0, NTSC), Timecode(0, NTSC, True))


def test_seconds_and_frames() -> None:
    assert NTSC.frames_to_seconds(30) == Fraction(1001, 1000)
    assert NTSC.seconds_to_frames(Fraction(1)) == 29  # the 30th frame is still on show
    assert NTSC.seconds_to_frames(Fraction(1001, 1000)) == 30
    assert PAL.seconds_to_frames(Fraction(-1, 100)) == -1
    assert NTSC.seconds_to_frames(Fraction(33, 1000)) == 0  # frame 1, its stamp rounded to milliseconds
    assert NTSC.nearest_frame(Fraction(33, 1000)) == 1


def test_values_are_frozen_and_travel() -> None:
    timecode = Timecode(17982, NTSC, True)
    for value in (timecode, NTSC):
        assert pickle.loads(pickle.dumps(value)) == value == copy.deepcopy(value)
        assert hash(pickle.loads(pickle.dumps(value))) == hash(value)
    assert pickle.loads(pickle.dumps(timecode)).rate.can_drop
    with pytest.raises(FrozenInstanceError):
        timecode.frames = 1  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        NTSC.num = 25  # type: ignore[misc]
    assert Rate(50, 2) == PAL and hash(Rate(50, 2)) == hash(PAL) and Rate(30) != NTSC


# --- properties --------------------------------------------------------------------------------------

unhurried = settings(deadline=None)  # the first call at a rate builds its tables


@st.composite
def timecodes(draw: st.DrawFn) -> Timecode:
    rate, drop = draw(st.sampled_from(COUNTINGS))
    return Timecode(draw(st.integers(0, rate.frames_per_day(drop) - 1)), rate, drop)


@unhurried
@given(timecodes())
def test_text_round_trip(timecode: Timecode) -> None:
    assert Timecode.parse(str(timecode), timecode.rate) == timecode
    assert Timecode.parse(str(timecode), timecode.rate, timecode.drop_frame) == timecode


@unhurried
@given(timecodes())
def test_seconds_round_trip(timecode: Timecode) -> None:
    assert timecode.rate.seconds_to_frames(timecode.elapsed) == timecode.frames
    assert timecode.rate.nearest_frame(timecode.elapsed) == timecode.frames


@unhurried
@given(timecodes(), st.integers(-(10**9), 10**9))
def test_adding_and_taking_away(timecode: Timecode, frames: int) -> None:
    later = timecode + frames
    day = timecode.rate.frames_per_day(timecode.drop_frame)
    assert later - frames == timecode
    assert duration_frames(timecode, later) == frames % day
    assert timecode + day == timecode == timecode - day


@unhurried
@given(timecodes())
def test_labels_sort_as_frames(timecode: Timecode) -> None:
    following = timecode + 1
    assume(following.frames > 0)
    assert str(timecode) < str(following)


@unhurried
@given(
    st.one_of(st.text(), st.from_regex(r"\A\d{2}[:;]\d{2}[:;]\d{2}[:;.]\d{2,3}\s?\Z")),
    st.sampled_from(COUNTINGS),
)
def test_only_the_canonical_text_is_read(text: str, counting: tuple[Rate, bool]) -> None:
    try:
        timecode = Timecode.parse(text, counting[0])
    except TimecodeError:
        return
    assert str(timecode) == text


@unhurried
@given(st.text(alphabet="0123456789/.-+ e\u0665", max_size=12))
def test_a_rate_is_read_exactly_or_refused(text: str) -> None:
    try:
        rate = Rate.parse(text)
    except TimecodeError:
        return
    assert Rate.parse(str(rate)) == rate == Rate.parse(rate.label)
    assert 0 < rate.fraction <= 1000
    if "." not in text:
        assert rate.fraction == Fraction(text)
