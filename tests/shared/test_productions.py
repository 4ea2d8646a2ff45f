"""Productions, their days and their cameras: made, found, refused."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from shared.catalogue.productions import (
    find_camera,
    find_day,
    find_production,
    make_production,
    set_camera,
    set_day,
    shooting_date,
    slug_of,
)
from shared.errors import AppError, ConflictError, NotFoundError, UsageError
from shared.models import CameraKind, Production, ZoneRule
from shared.names import unportable
from shared.timecode import Rate

FOUR = dt.time(4)
MAY_1, MAY_2, MAY_3 = (dt.date(2026, 5, day) for day in (1, 2, 3))


def make(session: Session, name: str = "The Chain Ferry", **values: Any) -> Production:
    defaults: dict[str, Any] = {"rate": Rate(25, 1), "zone": "Europe/Copenhagen", "day_starts": FOUR}
    return make_production(session, name, **(defaults | values))


# -- productions ------------------------------------------------------------------------------------


def test_a_production_keeps_what_it_was_made_with(session: Session) -> None:
    made = make(
        session,
        "  The Chain Ferry ",
        rate=Rate(30000, 1001),
        drop_frame=True,
        day_starts=dt.time(5, 30),
        language="da",
    )
    assert (made.name, made.slug, made.language) == ("The Chain Ferry", "the-chain-ferry", "da")
    assert (made.rate, made.drop_frame) == (Rate(30000, 1001), True)
    assert (made.zone, made.day_starts_minutes) == ("Europe/Copenhagen", 330)


@pytest.mark.parametrize("name", ["", "   ", "\t\n"])
def test_a_production_needs_a_name(session: Session, name: str) -> None:
    with pytest.raises(UsageError, match="needs a name"):
        make(session, name)


def test_a_name_is_taken_once(session: Session) -> None:
    make(session)
    with pytest.raises(ConflictError, match="The Chain Ferry already"):
        make(session, " The Chain Ferry")


@pytest.mark.parametrize(
    ("name", "slug"),
    [
        ("The Chain Ferry", "the-chain-ferry"),
        ("Fähre & Fluß, Teil 2", "fahre-flu-teil-2"),
        ("../../etc", "etc"),
        ("渡し船", "production"),
        ("!!!", "production"),
        ("a" * 80, "a" * 60),
        ("x" * 59 + " y z", "x" * 59),
        ("Con", "con-production"),  # a reserved name on some drives
    ],
)
def test_a_slug_is_a_folder_name_for_any_drive(name: str, slug: str) -> None:
    assert slug_of(name) == slug


@given(st.text(max_size=80))
def test_every_slug_can_be_kept_by_every_drive(name: str) -> None:
    slug = slug_of(name)
    assert slug and slug.isascii() and len(slug) <= 80
    assert unportable(slug.encode()) is None
    assert "/" not in slug and not slug.startswith((".", "-"))


def test_folders_of_productions_never_collide(session: Session) -> None:
    names = ["The Chain Ferry", "the chain ferry!", "THE CHAIN, FERRY", "x" * 70, "x" * 71]
    slugs = [make(session, name).slug for name in names]
    assert slugs == ["the-chain-ferry", "the-chain-ferry-2", "the-chain-ferry-3", "x" * 60, "x" * 60 + "-2"]


@pytest.mark.parametrize(
    ("zone", "remedy"),
    [
        ("Europe/Copenhagn", "Europe/Copenhagen"),
        ("Copenhagen", "Europe/Copenhagen"),
        ("europe/copenhagen", "Europe/Copenhagen"),
        ("nowhere at all", "Use a name such as Europe/Copenhagen"),
        ("", "Use a name such as"),
        ("../../etc/passwd", "Use a name such as"),
        ("Europe", "Europe/"),
        ("\0", "Use a name such as"),
    ],
)
def test_an_unknown_zone_is_refused_with_what_may_be_meant(session: Session, zone: str, remedy: str) -> None:
    with pytest.raises(UsageError, match="no such time zone") as caught:
        make(session, zone=zone)
    assert remedy in (caught.value.remedy or "")


@pytest.mark.parametrize("rate", [Rate(25, 1), Rate(24000, 1001), Rate(30, 1), Rate(60, 1)])
def test_only_two_rates_can_drop(session: Session, rate: Rate) -> None:
    """SMPTE ST 12-1 defines drop-frame counting for 30/1.001 and 60/1.001."""
    with pytest.raises(UsageError, match="no drop-frame"):
        make(session, rate=rate, drop_frame=True)


@pytest.mark.parametrize("rate", [Rate(30000, 1001), Rate(60000, 1001)])
def test_those_that_drop_may_also_not(session: Session, rate: Rate) -> None:
    assert make(session, "dropping", rate=rate, drop_frame=True).drop_frame
    assert not make(session, "not dropping", rate=rate).drop_frame


def test_a_production_is_found_by_name_folder_or_number(session: Session) -> None:
    first, second = make(session), make(session, "The Long Field")
    assert find_production(session, None) is second  # the latest
    for key in ("The Chain Ferry", "the-chain-ferry", str(first.id)):
        assert find_production(session, key) is first


def test_a_name_counts_before_a_folder_and_a_folder_before_a_number(session: Session) -> None:
    first, second, third = make(session, "One"), make(session, "Two"), make(session, "2")
    assert (first.id, second.id, third.slug) == (1, 2, "2")
    fourth = make(session, "one ")  # its folder is one-2, its name what the first one's folder is
    assert find_production(session, "2") is third
    assert find_production(session, "one") is fourth


def test_an_unknown_production_is_refused_with_those_there_are(session: Session) -> None:
    with pytest.raises(NotFoundError, match="rushlight new"):
        find_production(session, None)
    with pytest.raises(NotFoundError, match="rushlight new"):
        find_production(session, "The Chain Ferry")
    make(session)
    make(session, "The Long Field")
    with pytest.raises(NotFoundError, match="There is: The Chain Ferry, The Long Field"):
        find_production(session, "The Short Field")


# -- the shooting day of an instant -----------------------------------------------------------------


def utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("instant", "date"),
    [
        # an ordinary day, two hours ahead of UTC
        ("2026-05-12T10:00", "2026-05-12"),
        ("2026-05-12T21:59:59", "2026-05-12"),  # a second before midnight
        ("2026-05-12T22:00", "2026-05-12"),  # midnight belongs to the evening
        ("2026-05-13T01:59:59.999999", "2026-05-12"),
        ("2026-05-13T02:00", "2026-05-13"),  # 04:00: the next day begins
        # the clock goes forward: 02:00 becomes 03:00, so 04:00 is 02:00 UTC
        ("2026-03-29T00:59:59", "2026-03-28"),
        ("2026-03-29T01:00", "2026-03-28"),
        ("2026-03-29T01:59:59", "2026-03-28"),
        ("2026-03-29T02:00", "2026-03-29"),
        # the clock goes back: 03:00 becomes 02:00, so 04:00 is 03:00 UTC, and 02:30 comes twice
        ("2026-10-25T00:30", "2026-10-24"),
        ("2026-10-25T01:30", "2026-10-24"),
        ("2026-10-25T02:59:59", "2026-10-24"),
        ("2026-10-25T03:00", "2026-10-25"),
        # the turn of a year
        ("2026-12-31T23:30", "2026-12-31"),
        ("2027-01-01T02:59", "2026-12-31"),
        ("2027-01-01T03:00", "2027-01-01"),
    ],
)
def test_before_the_day_hour_it_is_still_the_day_before(session: Session, instant: str, date: str) -> None:
    """Summer time by Directive 2000/84/EC: last Sundays of March and October, at 01:00 UTC."""
    assert shooting_date(make(session), utc(instant)).isoformat() == date


@pytest.mark.parametrize(
    ("instant", "date"),
    [
        ("2026-03-29T00:59:59", "2026-03-28"),  # 01:59:59
        ("2026-03-29T01:00", "2026-03-29"),  # 03:00: half past two never was
        ("2026-10-25T00:29", "2026-10-24"),  # 02:29, the first time
        ("2026-10-25T00:31", "2026-10-25"),
        ("2026-10-25T01:29", "2026-10-24"),  # 02:29 again: what the clock on the wall says counts
        ("2026-10-25T01:31", "2026-10-25"),
    ],
)
def test_a_day_hour_that_is_skipped_or_comes_twice(session: Session, instant: str, date: str) -> None:
    assert shooting_date(make(session, day_starts=dt.time(2, 30)), utc(instant)).isoformat() == date


@pytest.mark.parametrize(
    ("zone", "instant", "date"),
    [
        ("Pacific/Kiritimati", "2026-05-12T13:59", "2026-05-12"),  # UTC+14: 03:59 on the 13th
        ("Pacific/Kiritimati", "2026-05-12T14:00", "2026-05-13"),
        ("Asia/Kathmandu", "2026-05-12T22:14", "2026-05-12"),  # UTC+5:45
        ("Asia/Kathmandu", "2026-05-12T22:15", "2026-05-13"),
        ("America/St_Johns", "2026-05-13T06:29", "2026-05-12"),  # UTC-2:30
        ("America/St_Johns", "2026-05-13T06:30", "2026-05-13"),
    ],
)
def test_the_wall_clock_is_that_of_the_production(
    session: Session, zone: str, instant: str, date: str
) -> None:
    made = make(session, zone=zone)
    assert shooting_date(made, utc(instant)).isoformat() == date
    # and never that of whoever states the instant
    elsewhere = utc(instant).astimezone(dt.timezone(dt.timedelta(hours=-11)))
    assert shooting_date(made, elsewhere).isoformat() == date


def test_a_day_may_begin_at_midnight(session: Session) -> None:
    made = make(session, day_starts=dt.time(0))
    assert shooting_date(made, utc("2026-05-12T21:59:59")).isoformat() == "2026-05-12"
    assert shooting_date(made, utc("2026-05-12T22:00")).isoformat() == "2026-05-13"


# -- shooting days ----------------------------------------------------------------------------------


def test_a_day_is_made_then_changed(session: Session) -> None:
    made = make(session)
    day = set_day(session, made, number=2, date=MAY_2, goal="the winch")
    assert (day.number, day.date, day.goal) == (2, MAY_2, "the winch")
    assert set_day(session, made, number=2, goal="the winch at dawn") is day
    assert set_day(session, made, date=MAY_2) is day
    assert (day.date, day.goal) == (MAY_2, "the winch at dawn")
    assert set_day(session, made, number=2, date=MAY_3).date == MAY_3
    assert find_day(session, made, 2) is day


def test_a_day_found_by_its_date_gets_the_next_number(session: Session) -> None:
    made = make(session)
    numbers = [set_day(session, made, date=date).number for date in (MAY_2, MAY_1, MAY_2)]
    assert numbers == [1, 2, 1]
    set_day(session, made, number=7, date=MAY_3)
    assert set_day(session, made, date=dt.date(2026, 5, 4)).number == 8


def test_each_production_counts_its_own_days(session: Session) -> None:
    first, second = make(session), make(session, "The Long Field")
    assert [set_day(session, one, date=MAY_1).number for one in (first, second)] == [1, 1]
    with pytest.raises(NotFoundError):
        set_day(session, first, number=2, date=MAY_2)
        find_day(session, second, 2)


@pytest.mark.parametrize("number", [1, 3])
def test_one_date_is_one_day(session: Session, number: int) -> None:
    """Whether an existing day is moved to a date that is taken, or a new one is made there."""
    made = make(session)
    set_day(session, made, number=1, date=MAY_1)
    set_day(session, made, number=2, date=MAY_2)
    with pytest.raises(ConflictError, match="2026-05-02 is day 2 already"):
        set_day(session, made, number=number, date=MAY_2)
    session.expire_all()
    assert [(day.number, day.date) for day in made.days] == [(1, MAY_1), (2, MAY_2)]


@pytest.mark.parametrize(("number", "said"), [(0, "count from 1"), (-1, "count from 1"), (5, "needs a date")])
def test_a_day_that_cannot_be_is_refused(session: Session, number: int, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        set_day(session, make(session), number=number)


def test_a_day_of_nothing_is_refused(session: Session) -> None:
    with pytest.raises(UsageError, match="needs a date") as caught:
        set_day(session, make(session))
    assert "None" not in str(caught.value)


def test_an_unknown_day_is_refused_with_those_there_are(session: Session) -> None:
    made = make(session)
    with pytest.raises(NotFoundError, match="rushlight day 3 --date"):
        find_day(session, made, 3)
    set_day(session, made, number=1, date=MAY_1)
    with pytest.raises(NotFoundError, match=r"There is: 1 \(2026-05-01\)"):
        find_day(session, made, 3)


# -- cameras ----------------------------------------------------------------------------------------


def test_a_camera_is_made_then_changed(session: Session) -> None:
    made = make(session)
    drone = set_camera(session, made, "d", name="Drone", kind=CameraKind.DRONE, zone_rule=ZoneRule.UTC)
    assert (drone.letter, drone.kind, drone.zone_rule) == ("D", CameraKind.DRONE, ZoneRule.UTC)
    assert set_camera(session, made, "D", name="The drone") is drone
    assert (drone.name, drone.kind, drone.zone_rule) == ("The drone", CameraKind.DRONE, ZoneRule.UTC)
    assert find_camera(session, made, "d") is drone
    assert find_camera(session, made, "E") is None


def test_a_letter_is_one_production_s(session: Session) -> None:
    first, second = make(session), make(session, "The Long Field")
    assert set_camera(session, first, "A") is not set_camera(session, second, "A")


@pytest.mark.parametrize("letter", ["A", "b", "AB", "A1", "Gim1"])
def test_a_letter_may_be_a_short_code(session: Session, letter: str) -> None:
    assert set_camera(session, make(session), letter).letter == letter.upper()


@pytest.mark.parametrize(
    "letter", ["", "1", "1A", "ABCDE", "A-1", "Å", "A ", "A\n", "../A", "А"]
)  # the last: Cyrillic
def test_what_cannot_name_reels_is_no_letter(session: Session, letter: str) -> None:
    with pytest.raises(UsageError, match="can't be a camera's letter") as caught:
        set_camera(session, make(session), letter)
    assert isinstance(caught.value, AppError) and "A, B, C" in (caught.value.remedy or "")
