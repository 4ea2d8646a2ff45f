"""Stamps become instants by the rules of their container and their camera; unknown stays unknown."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import pytest

from ingest.media.facts import Facts
from shared.models import ZoneRule
from shared.when import Clock, duration, parse_stamp, read_time

COPENHAGEN = zoneinfo.ZoneInfo("Europe/Copenhagen")
FILE_TIME = int(dt.datetime(2026, 5, 12, 8, 0, 10, tzinfo=dt.UTC).timestamp()) * 1_000_000_000


def utc(year: int, month: int, day: int, hour: int = 0, minute: int = 0, second: int = 0) -> dt.datetime:
    return dt.datetime(year, month, day, hour, minute, second, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("raw", "expected", "stated"),
    [
        ("2026-05-12 09:15:00 UTC", utc(2026, 5, 12, 9, 15), True),
        ("UTC 2026-05-12 09:15:00", utc(2026, 5, 12, 9, 15), True),
        ("2026-05-12T09:15:00Z", utc(2026, 5, 12, 9, 15), True),
        ("2026-05-12T09:15:00+02:00", utc(2026, 5, 12, 7, 15), True),
        ("2026-05-12T09:15:00-0330", utc(2026, 5, 12, 12, 45), True),
        ("2026:05:12 09:15:00", dt.datetime(2026, 5, 12, 9, 15), False),
        ("2026-05-12 09:15:00.25", dt.datetime(2026, 5, 12, 9, 15, 0, 250_000), False),
    ],
)
def test_stamps_are_read_as_written(raw: str, expected: dt.datetime, stated: bool) -> None:
    assert parse_stamp(raw) == (expected, stated)


@pytest.mark.parametrize("raw", ["", "yesterday", "2026-13-01 00:00:00", "2026-05-12", "2026-02-30 10:00:00"])
def test_what_is_no_stamp_is_nothing(raw: str) -> None:
    assert parse_stamp(raw) is None


def header(raw: str, zone: str = "assumed-utc") -> Facts:
    return Facts(
        recorded_raw=raw,
        recorded_field="Encoded_Date",
        recorded_zone=zone,
        frames=250,
        rate_num=25,
        rate_den=1,
    )


def test_a_camera_set_to_the_wall_clock_is_read_in_the_productions_zone() -> None:
    facts = header("2026-05-12 10:00:00 UTC")
    found = read_time(facts, FILE_TIME, Clock(COPENHAGEN, ZoneRule.LOCAL))
    assert (found.at, found.certainty) == (utc(2026, 5, 12, 8), "assumed")
    found = read_time(facts, FILE_TIME, Clock(COPENHAGEN, ZoneRule.UTC))
    assert found.at == utc(2026, 5, 12, 10)


def test_a_stated_zone_is_never_overruled_by_the_cameras_rule() -> None:
    facts = header("2026-05-12T10:00:00+02:00", "stated")
    found = read_time(facts, FILE_TIME, Clock(COPENHAGEN, ZoneRule.UTC))
    assert (found.at, found.certainty) == (utc(2026, 5, 12, 8), "stated")


def test_a_correction_is_added_to_every_source() -> None:
    late = dt.timedelta(minutes=-60, seconds=3)  # the camera shows an hour too much, less three seconds
    facts = header("2026-05-12 10:00:00 UTC")
    assert read_time(facts, FILE_TIME, Clock(COPENHAGEN, ZoneRule.UTC, late)).at == utc(2026, 5, 12, 9, 0, 3)
    bare = read_time(None, FILE_TIME, Clock(COPENHAGEN, ZoneRule.UTC, late))
    assert bare.at == utc(2026, 5, 12, 7, 0, 13)


def test_without_a_stamp_the_files_time_is_the_end_of_the_take() -> None:
    facts = Facts(frames=250, rate_num=25, rate_den=1)
    found = read_time(facts, FILE_TIME, Clock(COPENHAGEN))
    assert (found.at, found.source, found.certainty) == (utc(2026, 5, 12, 8), "file time", "file")


@pytest.mark.parametrize("raw", ["1904-01-01 00:00:00 UTC", "1970-01-01 00:00:00 UTC"])
def test_a_clock_that_was_never_set_is_not_believed(raw: str) -> None:
    assert read_time(header(raw), FILE_TIME, Clock(COPENHAGEN)).source == "file time"
    assert read_time(header(raw), 0, Clock(COPENHAGEN)).at is None


def test_a_wall_clock_in_the_repeated_hour_of_autumn_is_the_first_of_the_two() -> None:
    # 2026-10-25 02:30 happens twice in Copenhagen; PEP 495: fold=0 is the earlier, in summer time.
    facts = header("2026-10-25 02:30:00", "local")
    found = read_time(facts, FILE_TIME, Clock(COPENHAGEN, ZoneRule.LOCAL))
    assert found.at == utc(2026, 10, 25, 0, 30)


def test_durations_are_exact() -> None:
    facts = Facts(frames=30000, rate_num=30000, rate_den=1001)
    assert duration(facts) == 1001
    assert duration(Facts(samples=48_000, audio_rate=48_000)) == 1
    assert duration(Facts()) is None


# -- zones, changes of summer time ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "at"),
    [
        # Copenhagen, IANA tz database: 2026-03-29 02:00 became 03:00; 2026-10-25 03:00 became 02:00.
        ("2026-03-29 01:59:59", utc(2026, 3, 29, 0, 59, 59)),
        ("2026-03-29 02:30:00", utc(2026, 3, 29, 1, 30)),  # never was: a clock still on winter time
        ("2026-03-29 03:00:00", utc(2026, 3, 29, 1)),
        ("2026-10-25 01:59:59", utc(2026, 10, 24, 23, 59, 59)),
        ("2026-10-25 03:00:00", utc(2026, 10, 25, 2)),
    ],
)
def test_a_wall_clock_through_a_change_of_summer_time(raw: str, at: dt.datetime) -> None:
    assert read_time(header(raw, "local"), FILE_TIME, Clock(COPENHAGEN, ZoneRule.LOCAL)).at == at
    digits = parse_stamp(raw)
    assert digits is not None
    # A clock in UTC does not care.
    found = read_time(header(raw, "local"), FILE_TIME, Clock(COPENHAGEN, ZoneRule.UTC))
    assert found.at == digits[0].replace(tzinfo=dt.UTC)


def test_a_zone_of_quarters_of_an_hour() -> None:
    kathmandu = zoneinfo.ZoneInfo("Asia/Kathmandu")  # +05:45
    found = read_time(header("2026-05-12 10:00:00 UTC"), FILE_TIME, Clock(kathmandu, ZoneRule.LOCAL))
    assert (found.at, found.read_as) == (utc(2026, 5, 12, 4, 15), "local")


def test_what_was_done_stands_beside_what_came_of_it() -> None:
    late = dt.timedelta(seconds=-3)
    found = read_time(header("2026-05-12 10:00:00 UTC"), FILE_TIME, Clock(COPENHAGEN, ZoneRule.UTC, late))
    assert (found.read_as, found.correction, found.uncorrected) == ("utc", late, utc(2026, 5, 12, 10))
    assert read_time(header("2026-05-12T10:00:00+02:00", "stated"), 0, Clock(COPENHAGEN)).read_as == "stated"
    assert read_time(None, FILE_TIME, Clock(COPENHAGEN)).read_as == "file"


@pytest.mark.parametrize(
    ("after", "said"),
    [
        (10, "Encoded_Date: start"),
        (12, "Encoded_Date: start"),  # FAT keeps times in steps of 2 s
        (0, "Encoded_Date: start or end"),
        (3600 + 10, "Encoded_Date: start"),  # another zone
        (345, "Encoded_Date"),
        (40 * 86_400 + 10, "Encoded_Date"),  # the file's time is that of a copy made later
    ],
)
def test_the_files_time_tells_which_end_the_stamp_is(after: int, said: str) -> None:
    # The take of `header` lasts ten seconds.
    stamp = utc(2026, 5, 12, 10)
    file_time = int((stamp.timestamp() + after) * 10**9)
    found = read_time(header("2026-05-12 10:00:00 UTC"), file_time, Clock(COPENHAGEN, ZoneRule.UTC))
    assert (found.at, found.source) == (stamp, said)


@pytest.mark.parametrize(
    "raw", ["9999-12-31 23:59:59", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00"]
)
def test_a_stamp_past_all_calendars_is_not_believed(raw: str) -> None:
    for zone in ("local", "stated"):
        found = read_time(header(raw, zone), FILE_TIME, Clock(COPENHAGEN, correction=dt.timedelta(days=3000)))
        assert found.source == "file time"
    assert read_time(None, 2**62, Clock(COPENHAGEN, correction=dt.timedelta(days=36_000))).at is None


def test_the_longest_source_fits_its_column() -> None:
    facts = Facts(
        recorded_raw="2026-05-12 10:00:00", recorded_field="x" * 64, frames=250, rate_num=25, rate_den=1
    )
    found = read_time(facts, int(utc(2026, 5, 12, 10).timestamp()) * 10**9, Clock(COPENHAGEN, ZoneRule.UTC))
    assert found.source.endswith(": start or end") and len(found.source) <= 64
