"""Rates and timecode against SMPTE ST 12-1's rule, listed label by label, and against OpenTimelineIO."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice, repeat, takewhile
from pathlib import Path
from typing import Any

import opentimelineio as otio
import pytest

from shared.errors import EXIT_USAGE, TimecodeError
from shared.timecode import Rate, Timecode, frames_per_day, frames_to_text, text_to_frames

VECTORS = Path(__file__).with_name("timecode_vectors.json")
REFERENCE = Path(__file__).parents[2].parent / "shared" / "reference" / "timecode_vectors.json"


@dataclass(frozen=True)
class Case:
    """One rate of the vectors file, whose `source` and `rows` fields say where the numbers come from."""

    name: str
    rate: str
    nominal: int
    drop_frame: bool
    frames_per_day: int
    otio_differs: list[int]
    wrap: list[tuple[int, str]]
    dropped: list[str]
    vectors: list[tuple[int, str, str]]

    def __str__(self) -> str:
        return self.name

    @property
    def exact(self) -> Rate:
        return Rate.parse(self.rate)


CASES = [Case(**row) for row in json.loads(VECTORS.read_text(encoding="utf-8"))["rates"]]
DROP_CASES = [case for case in CASES if case.drop_frame]
each_rate = pytest.mark.parametrize("case", CASES, ids=str)
each_drop_rate = pytest.mark.parametrize("case", DROP_CASES, ids=str)
# Labels left out: SMPTE ST 12-1 for 29.97; at 59.94 common practice, no source.
DROPPED = {30: 2, 60: 4}
FILM, PAL, NTSC, NTSC_60 = Rate(24000, 1001), Rate(25), Rate(30000, 1001), Rate(60000, 1001)


def labels_of_a_day(nominal: int, dropped: int) -> Iterator[str]:
    """The oracle. SMPTE ST 12-1: list every label, skip the first ones of each minute but every 10th."""
    mark = ";" if dropped else ":"
    units = [f"{frame:02d}" for frame in range(nominal)]
    for minute in range(24 * 60):
        for second in range(60):
            start = f"{minute // 60:02d}:{minute % 60:02d}:{second:02d}{mark}"
            short = second == 0 and minute % 10 != 0
            yield from [start + unit for unit in (units[dropped:] if short else units)]


# --- the published rule ------------------------------------------------------------------------------


def test_vectors_are_complete() -> None:
    assert len(CASES) == 10
    assert sum(len(case.vectors) for case in CASES) == 982


@each_rate
def test_every_vector_both_ways(case: Case) -> None:
    wrong: list[object] = []
    for frame, text, seconds in case.vectors:
        timecode = Timecode.from_frames(frame, case.exact, case.drop_frame)
        if str(timecode) != text or timecode.elapsed != Fraction(seconds):
            wrong.append((frame, text, seconds, str(timecode), timecode.elapsed))
        if Timecode.parse(text, case.exact) != timecode:
            wrong.append((text, "reads as", Timecode.parse(text, case.exact).frames, "not", frame))
        if Timecode.parse(text, case.exact, case.drop_frame) != timecode:
            wrong.append((text, "reads otherwise with the flag given"))
    assert wrong == []


@each_rate
def test_day_length_and_wrap(case: Case) -> None:
    day = case.frames_per_day
    assert case.exact.frames_per_day(case.drop_frame) == frames_per_day(case.nominal, case.drop_frame) == day
    assert case.exact.nominal == case.nominal
    last = Timecode(day - 1, case.exact, case.drop_frame)
    for frame, text in case.wrap:
        assert str(Timecode.wrapped(frame, case.exact, case.drop_frame)) == text
        assert str(last + (frame - day + 1)) == text
        for refused in (Timecode, Timecode.from_frames):
            with pytest.raises(TimecodeError, match=f"frames 0 to {day - 1}"):
                refused(frame, case.exact, case.drop_frame)
        with pytest.raises(TimecodeError, match=f"modulo {day}"):
            frames_to_text(frame, case.nominal, case.drop_frame)


@each_drop_rate
def test_dropped_labels_are_refused(case: Case) -> None:
    assert case.dropped
    for text in case.dropped:
        with pytest.raises(TimecodeError, match="does not exist in drop-frame") as caught:
            Timecode.parse(text, case.exact)
        first = f"{text[:9]}{'02' if case.nominal == 30 else '04'}"
        assert first in str(caught.value)  # the remedy names the label that the minute begins with
        Timecode.parse(first, case.exact)


@pytest.mark.slow
@each_drop_rate
def test_every_frame_of_a_drop_frame_day(case: Case) -> None:
    frame = 0
    labels = labels_of_a_day(case.nominal, DROPPED[case.nominal])
    while expected := list(islice(labels, 100_000)):
        frames = range(frame, frame + len(expected))
        assert list(map(frames_to_text, frames, repeat(case.nominal), repeat(True))) == expected
        assert list(map(text_to_frames, expected, repeat(case.nominal), repeat(True))) == list(frames)
        frame += len(expected)
    assert frame == case.frames_per_day


@each_drop_rate
def test_exactly_the_dropped_labels_are_missing(case: Case) -> None:
    """Of all label texts of an hour, the refused ones are those the rule leaves out, no more, no fewer."""
    dropped = DROPPED[case.nominal]
    hour = islice(labels_of_a_day(case.nominal, 0), 3600 * case.nominal)
    written = [label[:8] + ";" + label[9:] for label in hour]
    exist = set(takewhile(lambda label: label < "01", labels_of_a_day(case.nominal, dropped)))
    refused = set()
    for label in written:
        try:
            text_to_frames(label, case.nominal, True)
        except TimecodeError:
            refused.add(label)
    assert refused == set(written) - exist
    assert len(refused) == 54 * dropped


# SMPTE ST 12-1 for 29.97; four labels at 59.94 are common practice, no source. Numbers by calculation.
@pytest.mark.parametrize(
    ("frame", "text", "rate"),
    [
        (1799, "00:00:59;29", NTSC),
        (1800, "00:01:00;02", NTSC),
        (1800 + 1798, "00:02:00;02", NTSC),
        (17981, "00:09:59;29", NTSC),
        (17982, "00:10:00;00", NTSC),
        (107892, "01:00:00;00", NTSC),
        (2589407, "23:59:59;29", NTSC),
        (3599, "00:00:59;59", NTSC_60),
        (3600, "00:01:00;04", NTSC_60),
        (35964, "00:10:00;00", NTSC_60),
        (215784, "01:00:00;00", NTSC_60),
        (5178815, "23:59:59;59", NTSC_60),
    ],
)
def test_check_values_of_drop_frame(frame: int, text: str, rate: Rate) -> None:
    assert str(Timecode(frame, rate, True)) == text
    assert Timecode.parse(text, rate) == Timecode(frame, rate, True)


def test_real_time_of_labels() -> None:
    """By calculation: an hour of labels at n/1001 non-drop lasts 3603.6 s; drop-frame errs 86.4 ms a day."""
    for rate in (FILM, NTSC, NTSC_60):
        assert Timecode.parse("01:00:00:00", rate).elapsed == Fraction(36036, 10)
    for rate in (NTSC, NTSC_60):
        day = rate.frames_to_seconds(rate.frames_per_day(drop_frame=True))
        assert day - 24 * 3600 == Fraction(-864, 10000)
    assert Timecode.parse("01:00:00:00", PAL).elapsed == 3600


def test_data_equals_the_reference_beside_the_checkout() -> None:
    if not REFERENCE.exists():
        pytest.skip(f"no reference data beside the checkout ({REFERENCE.name})")
    rates: list[dict[str, Any]] = json.loads(REFERENCE.read_text(encoding="utf-8"))["rates"]
    theirs = [
        (
            row["rate"].removesuffix("/1"),
            [(v["frame"], v["timecode"], v["elapsed_seconds"]) for v in row["vectors"]],
            [(w["frame"], w["timecode"]) for w in row["wrap"]],
            [label["timecode"] for label in row["illegal_labels"]],
        )
        for row in rates
    ]
    ours = [
        (str(c.exact), [tuple(v) for v in c.vectors], [tuple(w) for w in c.wrap], c.dropped) for c in CASES
    ]
    assert ours == theirs


# --- a second implementation -------------------------------------------------------------------------


@each_rate
def test_against_opentimelineio(case: Case) -> None:
    """Every 97th frame of the day and every vector, both ways.

    Left out: what OpenTimelineIO writes for 29.97 and 59.94 non-drop past the length of the drop-frame day,
    where it starts again at 00:00:00:00 (0.18.1); SMPTE ST 12-1 ends the day at 24:00:00:00.
    """
    rate = case.exact.num / case.exact.den  # theirs are floats
    ends = case.frames_per_day
    if case.exact.can_drop and not case.drop_frame:
        ends = case.exact.frames_per_day(drop_frame=True)
    listed = [frame for frame, *_ in case.vectors]
    assert case.otio_differs == [frame for frame in listed if frame >= ends]
    for frame in [*range(0, case.frames_per_day, 97), *listed]:
        text = frames_to_text(frame, case.nominal, case.drop_frame)
        assert otio.opentime.from_timecode(text, rate).to_frames() == frame, text
        if frame < ends:
            theirs = otio.opentime.to_timecode(otio.opentime.RationalTime(frame, rate), rate, case.drop_frame)
            assert theirs == text, frame


# --- what is refused ---------------------------------------------------------------------------------

# fmt: off
GARBAGE = [
    "", " ", "garbage", "nan", "None", "0", "90000", "9" * 100_000, ":" * 100_000,
    "00:00:00", "00:00:00:", "00:00:00:0", "00:00:00:000", "0:00:00:00", "000:00:00:00", "00:00:00:00:00",
    "00000000000", "00.00.00.00", "00:00:00.00", "00:00:00,00", "00:00;00:00", "00:00:00-00",
    "-0:00:00:00", "-00:00:00:01", "+1:00:00:00", "00:00:00:-1", "00:00:00:+1", "00:00:1_:00", "0x:00:00:00",
    " 00:00:00:00", "00:00:00:00 ", "00:00:00:00\n", "\t00:00:00:00", "00: 0:00:00", "00:00:00: 0",
    "00:00:00:00\x00", "\ufeff00:00:00:00",
    "00:00:00:\u0661\u0661",  # Arabic-Indic digits
    "\uff10\uff10:00:00:00",  # full-width digits
    "0\u00b2:00:00:00",  # superscript two
    "00\uff1a00\uff1a00\uff1a00",  # full-width colon
    "00:00:00:0\U0001d7d8",  # mathematical digit
]
# fmt: on
# text, rate, what the message must name
REFUSED = [
    ("24:00:00:00", PAL, "24 hours"),
    ("99:00:00:00", PAL, "99 hours"),
    ("00:60:00:00", PAL, "60 minutes"),
    ("00:00:60:00", PAL, "60 seconds"),
    ("00:00:00:24", FILM, "frames 0 to 23"),
    ("00:00:00:25", PAL, "frames 0 to 24"),
    ("00:00:00:30", NTSC, "frames 0 to 29"),
    ("00:00:00;30", NTSC, "frames 0 to 29"),
    ("00:00:00:50", Rate(50), "frames 0 to 49"),
    ("00:00:00;60", NTSC_60, "frames 0 to 59"),
    ("00:01:00;00", NTSC, "does not exist"),
    ("23:59:00;03", NTSC_60, "does not exist"),
    ("00:00:00;00", PAL, "no drop-frame at 25"),
    ("00:00:00;00", Rate(30), "no drop-frame at 30"),
    ("00:00:00;00", FILM, "no drop-frame at 23.976"),
    ("00:00:00;00", Rate(60), "no drop-frame at 60"),
    ("00:00:00;000", Rate(120000, 1001), "no drop-frame at 119.88"),
    ("00:00:00:00", Rate(120), "not a timecode"),  # three digits of frames above 100
    ("00:00:00:120", Rate(120), "frames 0 to 119"),
    ("00;00;00;00", NTSC, "not a timecode"),
    *((text, PAL, "not a timecode") for text in GARBAGE),
]


@pytest.mark.parametrize(
    ("text", "rate", "names"), REFUSED, ids=[f"{ascii(t)[:24]}@{r.label}" for t, r, _ in REFUSED]
)
def test_refused_with_a_clear_error(text: str, rate: Rate, names: str) -> None:
    with pytest.raises(TimecodeError) as caught:
        Timecode.parse(text, rate)
    message = str(caught.value)
    assert names in message
    assert caught.value.remedy
    assert caught.value.exit_code == EXIT_USAGE
    assert len(message) < 300 and message.replace("…", "").replace("—", "").isascii() and "\n" not in message


@pytest.mark.parametrize(
    ("text", "claimed"), [("01:00:00;00", False), ("01:00:00:00", True), ("00:01:00:00", True)]
)
def test_flag_and_text_must_agree(text: str, claimed: bool) -> None:
    with pytest.raises(TimecodeError, match="is asked for"):
        Timecode.parse(text, NTSC, drop_frame=claimed)
    assert Timecode.parse(text, NTSC).drop_frame is not claimed


@pytest.mark.parametrize("frames", [-1, 2160000, 10**30])
def test_counts_outside_the_day_are_refused(frames: int) -> None:
    with pytest.raises(TimecodeError, match="modulo 2160000"):
        Timecode(frames, PAL)
    with pytest.raises(TimecodeError, match="modulo 2160000"):
        frames_to_text(frames, 25)


def test_inexact_numbers_are_refused() -> None:
    wrong: Any = 1.0
    with pytest.raises(TimecodeError, match="whole number of frames"):
        Timecode(wrong, PAL)
    with pytest.raises(TimecodeError, match="not exact"):
        Rate(wrong)
    with pytest.raises(TimecodeError, match="not exact"):
        PAL.seconds_to_frames(wrong)
    with pytest.raises(TypeError):
        Timecode(0, PAL) + wrong


@pytest.mark.parametrize(
    "rate", [Rate(24), FILM, PAL, Rate(30), Rate(60), Rate(120000, 1001), Rate(30001, 1001)]
)
def test_drop_frame_exists_at_two_rates_only(rate: Rate) -> None:
    assert not rate.can_drop
    for make in (Timecode, Timecode.from_frames, Timecode.wrapped):
        with pytest.raises(TimecodeError, match="no drop-frame at"):
            make(0, rate, True)
    assert NTSC.can_drop and NTSC_60.can_drop


@pytest.mark.parametrize(
    ("nominal", "drop"), [(0, False), (-1, False), (1001, False), (25, True), (120, True)]
)
def test_labels_a_second_out_of_range(nominal: int, drop: bool) -> None:
    for call in (lambda: frames_to_text(0, nominal, drop), lambda: text_to_frames("x", nominal, drop)):
        with pytest.raises(TimecodeError):
            call()
