"""A clip that is not as the sheet says is told in words and with the number; unknown facts claim nothing."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from dataclasses import replace

import pytest

from ingest.deviations import CODES, Made, Sheet, find_deviations
from ingest.media.facts import Noticed
from shared.timecode import Rate

LONDON = zoneinfo.ZoneInfo("Europe/London")
SHEET = Sheet(Rate(24000, 1001), LONDON, False, 3840, 2160, "BT.709", 48_000)
RIGHT = Made(Rate(24000, 1001), False, False, 3840, 2160, 0, "BT.709", 48_000)


def only(made: Made, sheet: Sheet = SHEET) -> Noticed:
    (found,) = find_deviations(made, sheet)
    assert found.code in CODES and found.rule
    return found


def test_a_clip_as_the_sheet_says_has_no_deviation() -> None:
    assert find_deviations(RIGHT, SHEET) == []
    assert find_deviations(replace(RIGHT, transfer="bt709"), SHEET) == []


def test_what_a_file_does_not_say_and_a_sheet_leaves_open_is_no_deviation() -> None:
    assert find_deviations(Made(), SHEET) == []
    odd = Made(Rate(24000, 1001), False, None, 640, 480, 0, "HLG", 44_100)
    assert find_deviations(odd, Sheet(Rate(24000, 1001), LONDON)) == []


@pytest.mark.parametrize(
    ("shot", "production", "severity", "words"),
    [
        # 3600 s x 1/1000 and x 1/1001: 3.6 s an hour either way.
        (
            Rate(24),
            Rate(24000, 1001),
            "warning",
            "Shot at 24, the production is 23.976: 3.6 s an hour apart.",
        ),
        (Rate(30000, 1001), Rate(30), "warning", "Shot at 29.97, the production is 30: 3.6 s an hour apart."),
        (Rate(50), Rate(25), "note", "Shot at 50, twice the production's 25: every second frame is used"),
        (Rate(100), Rate(25), "note", "every 4th frame is used, or slow motion at 1/4 of the speed."),
        (Rate(60000, 1001), Rate(30), "note", "slow motion at 1/2 of the speed, 3.6 s an hour apart."),
        (Rate(30000, 1001), Rate(25), "warning", "Shot at 29.97, the production is 25: movement judders"),
        (Rate(25, 2), Rate(25), "warning", "movement judders"),
    ],
)
def test_rates_in_words(shot: Rate, production: Rate, severity: str, words: str) -> None:
    found = only(replace(RIGHT, rate=shot, drop_frame=None), replace(SHEET, rate=production))
    assert (found.code, found.severity, found.unit) == ("rate-deviates", severity, "frames/s")
    assert words in found.message
    assert found.value == pytest.approx(float(shot.fraction), abs=0.001)


def test_a_variable_rate_says_so() -> None:
    found = only(replace(RIGHT, rate=Rate(2987, 100), variable=True))
    assert (
        found.message
        == "Shot at a variable rate, 29.870 on average: make a copy at a constant 23.976 to cut with."
    )


def test_counting_is_compared_where_there_is_a_timecode_of_that_rate() -> None:
    sheet = replace(SHEET, rate=Rate(30000, 1001), drop_frame=True)
    made = replace(RIGHT, rate=Rate(30000, 1001), drop_frame=False)
    found = only(made, sheet)
    assert (found.code, found.value, found.unit) == ("drop-frame-deviates", 3.6, "s/h")
    assert found.message.startswith("Timecode counts non-drop-frame, the production drop-frame")
    assert find_deviations(replace(made, drop_frame=True), sheet) == []
    assert find_deviations(replace(made, drop_frame=None), sheet) == []
    assert (
        "counts drop-frame, the production non-drop-frame"
        in only(replace(made, drop_frame=True), replace(sheet, drop_frame=False)).message
    )


@pytest.mark.parametrize(
    ("size", "rotation", "severity", "words", "value"),
    [
        ((1920, 1080), 0, "warning", "must be enlarged 2.00 times", 2),
        ((7680, 4320), 0, "note", "to spare for reframing", 0.5),
        ((4096, 2160), 0, "note", "another shape of frame", 1),
        (
            (3840, 2160),
            90,
            "warning",
            "Shot at 2160 × 3840, the production is 3840 × 2160: held upright",
            1.778,
        ),
        ((2160, 3840), 0, "warning", "held upright", 1.778),
    ],
)
def test_sizes_in_words(
    size: tuple[int, int], rotation: int, severity: str, words: str, value: float
) -> None:
    found = only(replace(RIGHT, width=size[0], height=size[1], rotation=rotation))
    assert (found.code, found.severity, found.value) == ("size-deviates", severity, value)
    assert words in found.message


def test_a_picture_turned_the_right_way_is_as_the_sheet_says() -> None:
    assert find_deviations(replace(RIGHT, width=2160, height=3840, rotation=270), SHEET) == []
    assert find_deviations(replace(RIGHT, rotation=180), SHEET) == []


def test_curve_and_sound() -> None:
    curve = only(replace(RIGHT, transfer="HLG"))
    assert (curve.code, curve.value) == ("curve-deviates", None)
    assert curve.message.startswith("Colour curve is HLG, the production's is BT.709")
    sound = only(replace(RIGHT, audio_rate=44_100))
    assert (sound.code, sound.value, sound.unit) == ("sound-rate-deviates", 44_100, "Hz")
    assert sound.message.startswith("Sound is 44.1 kHz, the production's is 48 kHz")


@pytest.mark.parametrize(
    ("stamp", "minutes"),
    [
        ("2026-05-12T10:00:00+02:00", 60),
        ("2026-05-12T10:00:00-0330", -270),
        ("2026-05-12T10:00:00+05:45", 285),
    ],
)
def test_a_stated_zone_that_is_another(stamp: str, minutes: int) -> None:
    made = replace(RIGHT, shot_at=dt.datetime(2026, 5, 12, 8, tzinfo=dt.UTC), stamp=stamp)
    found = only(made)
    assert (found.code, found.severity, found.value, found.unit) == ("zone-deviates", "note", minutes, "min")


@pytest.mark.parametrize(
    "stamp",
    [
        "2026-05-12T10:00:00+01:00",
        "2026-05-12T10:00:00Z",
        "2026-05-12T10:00:00+00:00",
        "UTC 2026-05-12 10:00:00",
    ],
)
def test_the_zone_of_the_production_and_utc_are_none(stamp: str) -> None:
    made = replace(RIGHT, shot_at=dt.datetime(2026, 5, 12, 8, tzinfo=dt.UTC), stamp=stamp)
    assert find_deviations(made, SHEET) == []
