"""Clocks that were set wrong or changed are noticed by a witness, with the number; right ones never are."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from dataclasses import replace
from fractions import Fraction

import pytest

from ingest.clockcheck import CODES, Shoot, Take, check_clocks
from ingest.media.facts import Noticed

COPENHAGEN = Shoot(zoneinfo.ZoneInfo("Europe/Copenhagen"))
DAY = dt.date(2026, 5, 12)


def take(number: int, at: str, *, camera: str = "A", read_as: str = "local", **values: object) -> Take:
    """A take of 20 s whose wall clock in Copenhagen said `at`; its file is dated when it ended."""
    digits = dt.datetime.fromisoformat(at)
    shown = digits.replace(tzinfo=COPENHAGEN.zone if read_as == "local" else dt.UTC).astimezone(dt.UTC)
    ends = Fraction(int(shown.timestamp()) + 20)
    made = Take(
        number + 1000 * ord(camera),
        camera,
        f"{camera}001",
        f"CLIP/C{number:04}.MP4",
        shown,
        digits=digits,
        read_as=read_as,
        file_time=ends,
        length=Fraction(20),
        date=digits.date(),
    )
    return replace(made, **values)  # type: ignore[arg-type]


def clock(at: str, ahead: float = 0) -> Fraction:
    """A timecode that reads as the time of day of `at`, and `ahead` seconds more."""
    digits = dt.datetime.fromisoformat(at)
    return (Fraction(digits.hour * 3600 + digits.minute * 60 + digits.second) + Fraction(ahead)) % 86_400


def check(*takes: Take, shoot: Shoot = COPENHAGEN) -> list[tuple[int, Noticed]]:
    found = check_clocks(takes, shoot)
    assert {noticed.code for _, noticed in found} <= CODES
    assert all(noticed.rule for _, noticed in found)
    return found


def only(*takes: Take, shoot: Shoot = COPENHAGEN) -> tuple[int, Noticed]:
    (found,) = check(*takes, shoot=shoot)
    return found


HOURS = ("2026-05-12 09:00:00", "2026-05-12 10:30:00", "2026-05-12 14:00:05")


# -- nothing to claim -----------------------------------------------------------------------------------


@pytest.mark.parametrize("ahead", [0, 0.9, -2])
def test_right_clocks_are_left_alone(ahead: float) -> None:
    local = [take(n, at, timecode=clock(at, ahead)) for n, at in enumerate(HOURS)]
    drone = [take(n, at, camera="D", read_as="utc", timecode=clock(at, ahead)) for n, at in enumerate(HOURS)]
    # A camera that writes UTC, and whose timecode runs on the wall clock, two hours on in summer.
    mixed = [take(n, at, camera="B", read_as="utc", timecode=clock(at, 7200)) for n, at in enumerate(HOURS)]
    bare = [take(n, at, camera="C", timecode=None, file_time=None, length=None) for n, at in enumerate(HOURS)]
    assert check(*local, *drone, *mixed, *bare) == []


def test_a_drone_at_dawn_and_a_camera_at_night_are_no_fault() -> None:
    day = [take(n, at) for n, at in enumerate(HOURS)]
    dawn = [take(n, f"2026-05-12 04:0{n}:00", camera="D", read_as="utc") for n in range(3)]
    night = [take(n, f"2026-05-12 23:0{n}:00", camera="B") for n in range(3)]
    assert check(*day, *dawn, *night) == []


def test_timecode_that_runs_only_while_recording_is_no_clock() -> None:
    takes = [take(n, at, timecode=Fraction(3600 + 20 * n)) for n, at in enumerate(HOURS)]
    assert check(*takes) == []


def test_one_take_is_no_running_clock() -> None:
    assert check(take(1, HOURS[0], timecode=clock(HOURS[0], 3600))) == []
    assert (
        check(*(take(n, f"2026-05-12 09:00:{n:02}", timecode=clock(HOURS[0], 3600 + n)) for n in (0, 25)))
        == []
    )


def test_nothing_is_claimed_of_no_takes_and_of_unknown_times() -> None:
    assert check() == []
    bare = Take(1, "", "R001", "a.mp4", None)
    assert check(bare, replace(bare, clip_id=2, path="b.mp4")) == []


# -- timecode against stamps ----------------------------------------------------------------------------


@pytest.mark.parametrize("quarters", [1, -3, 4, 23, -8 + 1])
def test_a_camera_a_zone_off_is_told_with_the_number(quarters: int) -> None:
    takes = [take(n, at, timecode=clock(at, quarters * 900 + 1)) for n, at in enumerate(HOURS)]
    clip_id, noticed = only(*takes)
    assert (clip_id, noticed.code, noticed.value, noticed.unit) == (
        takes[0].clip_id, "clock-zone", quarters * 15, "min"
    )  # fmt: skip
    assert "camera A" in noticed.message and "3 clips" in noticed.message


def test_kathmandu_is_told_from_copenhagen() -> None:
    # +05:45 against +02:00: a camera left on its owner's zone.
    takes = [take(n, at, timecode=clock(at, 3 * 3600 + 45 * 60)) for n, at in enumerate(HOURS)]
    assert only(*takes)[1].value == 225


@pytest.mark.parametrize("seconds", [7, -48, 400, 11_000])
def test_odd_seconds_are_a_clock_set_by_eye(seconds: int) -> None:
    takes = [take(n, at, timecode=clock(at, seconds)) for n, at in enumerate(HOURS)]
    noticed = only(*takes)[1]
    assert (noticed.code, noticed.severity, noticed.value, noticed.unit) == (
        "clock-seconds", "note", seconds, "s"
    )  # fmt: skip


def test_a_correction_settles_it() -> None:
    hour = dt.timedelta(hours=1)
    takes = [take(n, at, timecode=clock(at, 3600), correction=hour) for n, at in enumerate(HOURS)]
    assert check(*takes) == []


def test_stamps_at_the_end_of_takes_are_told_by_the_timecode() -> None:
    lengths = (12, 95, 300)
    takes = [
        take(n, at, timecode=clock(at, -length), length=Fraction(length), file_time=None)
        for n, (at, length) in enumerate(zip(HOURS, lengths, strict=True))
    ]
    noticed = only(*takes)[1]
    assert (noticed.code, noticed.value) == ("stamp-is-end", 300)


# -- the files' own times -------------------------------------------------------------------------------


def moved(made: Take, seconds: float) -> Take:
    assert made.file_time is not None
    return replace(made, file_time=made.file_time + Fraction(seconds))


@pytest.mark.parametrize(("read_as", "quarters", "rule"), [("utc", -8, "local"), ("local", 8, "utc")])
def test_the_wrong_rule_shows_in_the_files_times_with_the_remedy(
    read_as: str, quarters: int, rule: str
) -> None:
    takes = [moved(take(n, at, read_as=read_as), quarters * 900) for n, at in enumerate(HOURS)]
    clip_id, noticed = only(*takes)
    assert (clip_id, noticed.code, noticed.value) == (takes[0].clip_id, "clock-file-time", quarters * 15)
    assert f"rushlight camera A --clock {rule}" in noticed.message


def test_file_times_of_another_zone_name_no_rule() -> None:
    takes = [moved(take(n, at), -9 * 900) for n, at in enumerate(HOURS)]
    assert "--clock" not in only(*takes)[1].message


@pytest.mark.parametrize("seconds", [0, 2, -20, 100, 450, 86_400, 40 * 86_400 + 3600])
def test_other_file_times_are_no_zone(seconds: int) -> None:
    """The end of the take, its start, an odd number, a copy made later."""
    assert check(*(moved(take(n, at), seconds) for n, at in enumerate(HOURS))) == []


def test_one_clip_among_many_is_chance() -> None:
    takes = [take(n, f"2026-05-12 1{n}:00:00") for n in range(5)]
    assert check(*takes[:4], moved(takes[4], 3600)) == []
    assert check(moved(take(1, HOURS[0]), 900)) == []
    assert only(moved(take(1, HOURS[0]), 3600))[1].value == 60


# -- the order of numbers -------------------------------------------------------------------------------


def test_a_clock_that_was_set_back_in_the_middle_of_a_card() -> None:
    times = ("09:00:00", "10:30:00", "10:00:00", "10:05:00")
    takes = [take(n, f"2026-05-12 {at}") for n, at in enumerate(times)]
    clip_id, noticed = only(*takes)
    assert (clip_id, noticed.code, noticed.value, noticed.unit) == (
        takes[2].clip_id, "clock-reset", 1800, "s"
    )  # fmt: skip
    assert "C0002.MP4" in noticed.message and "C0001.MP4" in noticed.message
    # Two cards with the same names, other folders and other names say nothing.
    assert check(*takes[:2], *(replace(one, reel="A002") for one in takes[2:])) == []
    assert check(*takes[:2], *(replace(one, path=f"B/{one.path}") for one in takes[2:])) == []
    assert check(*takes[:2], *(replace(one, path=one.path.replace("C0", "X0")) for one in takes[2:])) == []


@pytest.mark.parametrize(
    "names",
    [
        ("VA010034.MP4", "VA010035.MP4"),  # chapter 01 of take 35 …
        ("101500.MP4", "111400.MP4"),  # names that are times of day
        ("C9999.MP4", "D0001.MP4"),
        ("20260512_101500.WAV", "20260512_111400.WAV"),
    ],
)
def test_names_in_the_order_of_time_are_in_order(names: tuple[str, str]) -> None:
    takes = [take(n, HOURS[n], path=name) for n, name in enumerate(names)]
    assert check(*takes) == []


def test_chapters_stand_behind_their_take() -> None:
    names = ("VA010034.MP4", "VA020034.MP4", "VA010035.MP4")
    assert check(*(take(n, HOURS[n], path=name) for n, name in enumerate(names))) == []


# -- the calendar ---------------------------------------------------------------------------------------


def test_clips_off_the_planned_days() -> None:
    shoot = replace(COPENHAGEN, planned=frozenset({DAY, DAY + dt.timedelta(days=1)}))
    takes = [take(1, "2026-05-12 09:00:00"), take(2, "2026-05-15 09:00:00", camera="B"),
             take(3, "2020-01-01 00:05:00", camera="C")]  # fmt: skip
    found = check(*takes, shoot=shoot)
    assert [(clip_id, one.code, one.severity, one.value, one.unit) for clip_id, one in found] == [
        (takes[1].clip_id, "clock-outside-days", "note", 2, "days"),
        (takes[2].clip_id, "clock-outside-days", "warning", -2323, "days"),
    ]
    # A date on which another camera shot is no accident, and a day set by hand is a person's word.
    assert check(takes[1], replace(takes[1], clip_id=9, camera="D", reel="D001"), shoot=shoot) == []
    assert check(replace(takes[2], day_by_hand=True), shoot=shoot) == []


def test_without_a_plan_only_a_month_away_from_the_others_is_told() -> None:
    a = take(1, "2026-05-12 09:00:00")
    assert check(a, take(2, "2026-05-30 09:00:00", camera="B")) == []
    found = check(a, take(2, "2026-05-12 11:00:00", camera="D"), take(3, "2020-01-01 00:05:00", camera="B"))
    assert [(one.code, one.value) for _, one in found] == [("clock-outside-days", -2323)]
    assert check(take(3, "2020-01-01 00:05:00"), take(4, "2026-05-12 09:00:00")) == []  # alone: no witness


# Copenhagen, IANA tz database: 2026-03-29 02:00 became 03:00; 2026-10-25 03:00 became 02:00.


@pytest.mark.parametrize(
    ("before", "after", "minutes"),
    [("2026-03-28 20:00:00", "2026-03-29 09:00:00", 60), ("2026-10-24 20:00:00", "2026-10-25 09:00:00", -60)],
)
def test_a_change_of_summer_time_inside_the_shoot(before: str, after: str, minutes: int) -> None:
    takes = [take(1, before), take(2, after), take(3, after.replace("09:", "12:"))]
    clip_id, noticed = only(*takes)
    assert (clip_id, noticed.code, noticed.severity, noticed.value) == (
        takes[1].clip_id, "clock-dst", "note", minutes
    )  # fmt: skip
    looked_after = [replace(one, correction=dt.timedelta(hours=-1)) for one in takes[1:]]
    assert check(takes[0], *looked_after) == []
    assert check(*(take(n, at, read_as="utc") for n, at in enumerate((before, after)))) == []


def test_an_hour_that_never_was_proves_that_the_clock_was_not_set() -> None:
    _, noticed = only(take(1, "2026-03-29 02:30:00"))
    assert (noticed.code, noticed.severity) == ("clock-dst", "warning")
    assert "02:30:00 on 2026-03-29" in noticed.message


def test_an_hour_that_was_twice_is_said_and_is_no_reset() -> None:
    found = check(take(1, "2026-10-25 02:50:00"), take(2, "2026-10-25 02:10:00"))
    assert {(one.code, one.severity) for _, one in found} == {("clock-dst", "note")}
    assert all("twice" in one.message for _, one in found)


def test_the_order_of_the_takes_given_does_not_matter() -> None:
    times = ("09:00:00", "10:30:00", "10:00:00", "10:05:00")
    takes = [
        take(n, f"2026-05-12 {at}", timecode=clock(f"2026-05-12 {at}", 3600)) for n, at in enumerate(times)
    ]

    def told(row: list[Take]) -> set[tuple[int, str, float | None]]:
        return {(clip_id, one.code, one.value) for clip_id, one in check(*row)}

    assert told(takes) == told(takes[::-1]) and len(told(takes)) == 2
