"""Corrections and rules re-derive times and days from the catalogue; a person's choice of day stays."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.clocks import list_corrections, set_correction
from shared.catalogue.log import apply_changes, parse_assignments
from shared.catalogue.search import find_clips
from shared.catalogue.times import Rederived, rederive_times
from shared.clock_words import correction_of, read_face
from shared.errors import UsageError
from shared.models import Camera, Clip, ClockCorrection, Production, ShootingDay, TakeFacts, ZoneRule
from shared.vocabulary import Vocabulary
from tests.factories import make_camera, make_clip, make_day, make_facts, make_reel

HOUR = dt.timedelta(hours=1)


@pytest.fixture
def camera(session: Session, production: Production) -> Camera:
    return make_camera(session, production, letter="A", zone_rule=ZoneRule.LOCAL)


def shoot(session: Session, camera: Camera, *stamps: str, reel_day: ShootingDay | None = None) -> list[Clip]:
    """A reel of this camera with a clip for each stamp, dated when it ended as cards do."""
    reel = make_reel(
        session, camera.production, camera_id=camera.id, day_id=None if reel_day is None else reel_day.id
    )
    clips = []
    for number, stamp in enumerate(stamps):
        clip = make_clip(session, reel, f"CLIP/{reel.name}_{number:04}.MP4", shot_at=None, day_id=None)
        make_facts(
            session,
            clip.files[0].file,
            recorded_raw=stamp,
            recorded_field="movie header",
            recorded_zone="assumed-utc",
        )
        clips.append(clip)
    rederive_times(session, camera.production, camera)
    return clips


def correct(
    session: Session, camera: Camera, correction: dt.timedelta, day: ShootingDay | None = None
) -> Rederived:
    set_correction(session, camera.production, camera, correction, shown="10:00", true="…", day=day)
    return rederive_times(session, camera.production, camera)


def times(*clips: Clip) -> list[str]:
    """Days and times of day in UTC."""
    found = []
    for clip in clips:
        assert clip.shot_at is not None and clip.day is not None
        found.append(f"{clip.day.date:%m-%d} {clip.shot_at:%H:%M:%S}")
    return found


def test_a_correction_moves_every_clip_of_the_camera_and_no_other(session: Session, camera: Camera) -> None:
    other = make_camera(session, camera.production, letter="B", zone_rule=ZoneRule.LOCAL)
    (mine,) = shoot(session, camera, "2026-05-12 10:00:00")
    (theirs,) = shoot(session, other, "2026-05-12 10:00:00")
    assert times(mine, theirs) == ["05-12 08:00:00"] * 2
    found = correct(session, camera, -HOUR - dt.timedelta(seconds=3))
    assert (found.read, found.changed, found.moved) == (1, (mine.id,), ())
    assert times(mine, theirs) == ["05-12 06:59:57", "05-12 08:00:00"]
    assert (mine.shot_correction_ms, mine.shot_read_as, mine.shot_certainty) == (
        -3_603_000,
        "local",
        "assumed",
    )
    facts = session.scalars(select(TakeFacts.recorded_raw))
    assert list(facts) == ["2026-05-12 10:00:00"] * 2  # the stamps themselves stay


def test_a_correction_is_replaced_and_taken_back(session: Session, camera: Camera) -> None:
    (clip,) = shoot(session, camera, "2026-05-12 10:00:00")
    for correction, expected in ((HOUR, "09:00:00"), (2 * HOUR, "10:00:00"), (0 * HOUR, "08:00:00")):
        correct(session, camera, correction)
        assert times(clip) == [f"05-12 {expected}"]
    (row,) = session.scalars(select(ClockCorrection))
    assert (row.correction_ms, camera.clock_correction_ms) == (0, 0)


def test_the_correction_of_a_day_wins_over_that_of_every_day(session: Session, camera: Camera) -> None:
    clips = shoot(session, camera, "2026-05-12 10:00:00", "2026-05-13 10:00:00", "2026-05-14 10:00:00")
    second = clips[1].day
    correct(session, camera, HOUR)
    correct(session, camera, -2 * HOUR, second)
    assert times(*clips) == ["05-12 09:00:00", "05-13 06:00:00", "05-14 09:00:00"]
    assert [row.day for row in list_corrections(session, camera.production)] == [None, second]
    correct(session, camera, 0 * HOUR, second)  # on that day the clock was right
    assert times(*clips) == ["05-12 09:00:00", "05-13 08:00:00", "05-14 09:00:00"]


def test_a_clock_that_was_reset_is_brought_back_to_its_day(session: Session, camera: Camera) -> None:
    day = make_day(session, camera.production, number=2, date=dt.date(2026, 5, 13), goal="the winch")
    right, reset = shoot(session, camera, "2026-05-12 10:00:00", "2020-01-01 00:05:00")
    assert times(reset) == ["12-31 23:05:00"]
    wrong_day = reset.day_id
    zone = zoneinfo.ZoneInfo(camera.production.zone)
    shown, true = read_face("2020-01-01 00:05", "--shown"), read_face("2026-05-13 14:05", "--true")
    correct(session, camera, correction_of(shown, true, zone, camera.zone_rule), day)
    assert times(right, reset) == ["05-12 08:00:00", "05-13 12:05:00"]  # 14:05 in summer
    assert session.get(ShootingDay, wrong_day) is None  # only the wrong clock had made it
    assert session.get(ShootingDay, day.id) is day


def test_a_right_clip_of_a_planned_day_is_not_moved_by_the_next_days_correction(
    session: Session, camera: Camera
) -> None:
    make_day(session, camera.production, number=1, date=dt.date(2026, 5, 12), goal="the night boat")
    second = make_day(session, camera.production, number=2, date=dt.date(2026, 5, 13), goal="the winch")
    night, morning = shoot(session, camera, "2026-05-13 03:30:00", "2026-05-13 09:00:00")
    correct(session, camera, HOUR, second)
    assert times(night, morning) == ["05-12 01:30:00", "05-13 08:00:00"]


def test_the_day_of_the_reel_decides_between_two_readings(session: Session, camera: Camera) -> None:
    make_day(session, camera.production, number=1, date=dt.date(2026, 5, 12), goal="the night boat")
    second = make_day(session, camera.production, number=2, date=dt.date(2026, 5, 13), goal="the winch")
    (early,) = shoot(session, camera, "2026-05-13 03:30:00", reel_day=second)
    correct(session, camera, HOUR, second)
    assert times(early) == ["05-13 02:30:00"]


def test_a_day_set_by_hand_stays_and_brings_its_correction(
    session: Session, camera: Camera, vocabulary: Vocabulary
) -> None:
    production = camera.production
    one, two = shoot(session, camera, "2026-05-12 10:00:00", "2026-05-13 10:00:00")

    def log(word: str) -> None:
        apply_changes(session, production, [one.id], parse_assignments([word], vocabulary), vocabulary, "me")

    log("day=2")
    assert (one.day, one.day_by_hand) == (two.day, True)
    correct(session, camera, 24 * HOUR)
    assert (one.day, one.shot_at) == (
        session.get(ShootingDay, one.day_id),
        dt.datetime(2026, 5, 13, 8, tzinfo=dt.UTC),
    )
    assert one.day is not None and one.day.number == 2
    correct(session, camera, HOUR, one.day)
    assert one.shot_at == dt.datetime(2026, 5, 12, 9, tzinfo=dt.UTC)  # read as the day it was put on
    assert one.day.number == 2
    log("day=")
    assert not one.day_by_hand
    assert one.day is not None and one.day.date == dt.date(2026, 5, 12)


def test_moved_clips_are_found_by_their_new_day(
    session: Session, camera: Camera, vocabulary: Vocabulary
) -> None:
    (clip,) = shoot(session, camera, "2026-05-12 10:00:00")
    correct(session, camera, 24 * HOUR)

    def found(query: str) -> list[int]:
        page = find_clips(session, camera.production, query, vocabulary)
        return [one.id for one in page.clips]

    assert found('"2026-05-13"') == [clip.id]
    assert found('"2026-05-12"') == []


def test_another_camera_is_another_clock(session: Session, camera: Camera, vocabulary: Vocabulary) -> None:
    make_camera(session, camera.production, letter="D", zone_rule=ZoneRule.UTC)
    (clip,) = shoot(session, camera, "2026-05-12 10:00:00")
    assert times(clip) == ["05-12 08:00:00"]
    changes = parse_assignments(["camera=D"], vocabulary)
    apply_changes(session, camera.production, [clip.id], changes, vocabulary, "me")
    assert times(clip) == ["05-12 10:00:00"]


def test_the_day_hour_is_the_productions(session: Session, camera: Camera) -> None:
    camera.production.zone = "Asia/Kathmandu"
    late, early = shoot(session, camera, "2026-05-13 03:59:59", "2026-05-13 04:00:00")
    assert times(late, early) == ["05-12 22:14:59", "05-13 22:15:00"]


def test_a_day_with_a_goal_outlives_its_clips(session: Session, camera: Camera) -> None:
    (clip,) = shoot(session, camera, "2026-05-12 10:00:00")
    assert clip.day is not None
    kept = clip.day
    kept.goal = "the winch"
    correct(session, camera, 48 * HOUR)
    assert clip.day is not kept and session.get(ShootingDay, kept.id) is kept


def test_a_mistyped_year_is_refused(session: Session, camera: Camera) -> None:
    with pytest.raises(UsageError, match="74 years off") as caught:
        correct(session, camera, dt.timedelta(days=74 * 365))
    assert "--shown" in (caught.value.remedy or "")
    assert session.scalars(select(ClockCorrection)).all() == []
