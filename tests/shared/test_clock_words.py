"""Two clock faces, written down by a person, become a correction."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import pytest

from shared.clock_words import correction_of, read_face, tell_span
from shared.errors import UsageError
from shared.models import ZoneRule

COPENHAGEN = zoneinfo.ZoneInfo("Europe/Copenhagen")


def correct(shown: str, true: str, rule: ZoneRule = ZoneRule.LOCAL, on: dt.date | None = None) -> float:
    found = correction_of(read_face(shown, "--shown"), read_face(true, "--true"), COPENHAGEN, rule, on)
    return found.total_seconds()


@pytest.mark.parametrize(
    ("shown", "true", "seconds"),
    [
        ("14:03:10", "13:03:07", -3603),
        ("14:03:10", "14:03:10", 0),
        ("23:59:50", "00:00:10", 20),  # past midnight, not a day back
        ("00:00:10", "23:59:50", -20),
        ("14:03", "14:03:00.250", 0.25),
        ("2026-05-11 14:00:00", "2026-05-12 14:00:00", 86_400),
        (
            "1980-01-01 00:05",
            "2026-05-12 10:05",
            (16_933 * 24 + 10 - 1) * 3600,
        ),  # read in winter, true in summer
        ("23:30:00", "2026-05-12 00:10:00", 2400),
        ("2026-10-25 01:00", "2026-10-25 04:00", 4 * 3600),  # the night with 25 hours
        ("2026-05-12 12:00:00Z", "2026-05-12 14:00:05", 5),  # a face in UTC, in summer
        ("2026-01-12 12:00:00Z", "13:00:05", 5),  # in winter
        ("12:00:00+05:45", "2026-05-12 08:15", 0),
    ],
)
def test_a_correction_is_true_minus_shown(shown: str, true: str, seconds: float) -> None:
    assert correct(shown, true) == seconds


def test_a_face_in_utc_needs_a_date() -> None:
    with pytest.raises(UsageError, match="needs a date") as caught:
        correct("12:00:00Z", "14:00:05")
    assert "--day" in (caught.value.remedy or "")
    assert correct("12:00:00Z", "14:00:05", on=dt.date(2026, 7, 1)) == 5
    assert correct("12:00:00Z", "13:00:05", on=dt.date(2026, 12, 1)) == 5


def test_a_camera_in_utc_leaves_two_readings_and_asks() -> None:
    summer = dt.date(2026, 7, 1)
    with pytest.raises(UsageError, match="read as set to UTC") as caught:
        correct("12:00:00", "14:00:05", ZoneRule.UTC, summer)
    assert "'12:00:00Z'" in (caught.value.remedy or "") and "'12:00:00+02:00'" in (caught.value.remedy or "")
    assert correct("12:00:00+02:00", "14:00:05", ZoneRule.UTC, summer) == 2 * 3600 + 5
    assert correct("14:00:00", "14:00:05", ZoneRule.UTC, summer) == 5  # its display shows the wall clock
    assert correct("12:00:00", "14:00:05", ZoneRule.LOCAL, summer) == 2 * 3600 + 5


@pytest.mark.parametrize(
    "text",
    ["", "noon", "25:00", "12:60", "12:00:61", "2026-02-30 12:00", "2026-05-12", "12:00+15:00", "12:00+02:99",
     "0001-01-01 12:00", "9999-12-31 12:00", "１２:00", "12:00\n"[:-1] + "\x00", "-1:00"],
)  # fmt: skip
def test_what_is_no_time_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(UsageError, match="--true") as caught:
        read_face(text, "--true")
    assert "14:03:10" in (caught.value.remedy or "")


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (-3603, "−1 h 0 min 3 s"),
        (20, "+20 s"),
        (0.25, "+0.25 s"),
        (-90_000, "−1 d 1 h 0 min"),
        (300, "+5 min"),
    ],
)
def test_a_correction_in_words(seconds: float, words: str) -> None:
    assert tell_span(dt.timedelta(seconds=seconds)) == words
