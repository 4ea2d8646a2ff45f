"""Two recordings of one sound tell how far their clocks are apart; what agrees is never told."""

from __future__ import annotations

import datetime as dt
from fractions import Fraction

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.clockcheck import Take
from ingest.clocksound import Heard, check_by_sound
from ingest.recheck import recheck
from shared.models import Clip, ClipMedia, Finding, Production, SyncMethod, ZoneRule
from tests.factories import make_camera, make_clip, make_facts, make_pair, make_reel

TEN = dt.datetime(2026, 5, 12, 10, tzinfo=dt.UTC)


def take(letter: str, number: int, seconds: float, **values: object) -> Take:
    """A take of a device whose clock showed ten o'clock and `seconds` when it began."""
    name = f"{letter}001"
    made: dict[str, object] = {"read_as": "local", **values}
    shown = TEN + dt.timedelta(seconds=seconds)
    return Take(100 * ord(letter) + number, letter, name, f"C{number:04}.MOV", shown, **made)  # type: ignore[arg-type]


def heard(ahead: float, number: int = 1, **values: object) -> Heard:
    """A picture that truly began 20 s into the sound, by a clock that is `ahead` of the recorder's."""
    return Heard(take("B", number, 20 + ahead, **values), take("S", number, 0), Fraction(20))


@pytest.mark.parametrize("ahead", [0, 1.5, -3])
def test_clocks_that_agree_are_left_alone(ahead: float) -> None:
    assert list(check_by_sound([heard(ahead)])) == []
    assert list(check_by_sound([])) == []


@pytest.mark.parametrize(
    ("ahead", "code", "value", "unit", "words"),
    [
        (3600, "clock-zone", 60, "min", "1 h 0 min ahead of that of camera S"),
        (-2701, "clock-zone", -45, "min", "45 min behind that of camera S"),
        (7, "clock-seconds", 7, "s", "7 s ahead of"),
        (-48.5, "clock-seconds", -48.5, "s", "48 s behind"),
    ],
)
def test_clocks_that_differ_are_told_with_the_number(
    ahead: float, code: str, value: float, unit: str, words: str
) -> None:
    ((clip_id, noticed),) = check_by_sound([heard(ahead, 2), heard(ahead, 1)])
    assert (clip_id, noticed.code, noticed.value, noticed.unit) == (6601, code, value, unit)
    assert words in noticed.message and "in 2 pairs" in noticed.message and noticed.rule


def test_a_correction_settles_it_and_a_files_own_time_is_no_clock() -> None:
    assert list(check_by_sound([heard(3600, correction=dt.timedelta(hours=-1))])) == []
    assert list(check_by_sound([heard(3600, read_as="file")])) == []


def test_pairs_that_disagree_with_each_other_claim_nothing() -> None:
    assert list(check_by_sound([heard(60, 1), heard(400, 2)])) == []
    ((_, noticed),) = check_by_sound([heard(60, 1), heard(400, 2), heard(61, 3)])
    assert noticed.value in (60, 61) and "in 2 pairs" in noticed.message


def clip_of(session: Session, production: Production, letter: str, media: ClipMedia, at: str) -> Clip:
    camera = make_camera(session, production, letter=letter, zone_rule=ZoneRule.UTC)
    reel = make_reel(session, production, name=f"{letter}001", camera_id=camera.id)
    shot_at = dt.datetime.fromisoformat(at)
    clip = make_clip(session, reel, media=media, shot_at=shot_at, shot_read_as="utc")
    make_facts(
        session, clip.files[0].file, recorded_raw=f"{at:.19}", recorded_field="x", recorded_zone="unknown"
    )
    return clip


def test_a_stored_pair_is_a_witness_until_the_clocks_agree(session: Session, production: Production) -> None:
    picture = clip_of(session, production, "B", ClipMedia.VIDEO, "2026-05-12 11:00:02+00:00")
    sound = clip_of(session, production, "S", ClipMedia.AUDIO, "2026-05-12 10:00:00+00:00")
    pair = make_pair(session, picture, sound)  # two seconds into the sound
    recheck(session, production)
    found = session.scalars(select(Finding).filter_by(clip_id=picture.id, code="clock-zone")).one()
    assert (found.value, found.unit) == (60, "min")
    pair.method = SyncMethod.CLOCK
    recheck(session, production)
    assert session.scalar(select(Finding.id).filter_by(code="clock-zone")) is None, "a clock is no witness"
    pair.method = SyncMethod.SOUND
    picture.shot_correction_ms = -3_600_000
    picture.shot_at = dt.datetime(2026, 5, 12, 10, 0, 2, tzinfo=dt.UTC)
    recheck(session, production)
    assert session.scalar(select(Finding.id).filter_by(code="clock-zone")) is None
