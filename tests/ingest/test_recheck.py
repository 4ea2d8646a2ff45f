"""The findings of a production follow what the catalogue knows; a person's dismissals stay."""

from __future__ import annotations

import datetime as dt

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.recheck import REVIEWED, recheck
from shared.catalogue.times import rederive_times
from shared.models import Camera, Clip, Finding, Production, Reel, ZoneRule
from tests.factories import (
    make_camera,
    make_clip,
    make_clip_file,
    make_facts,
    make_file,
    make_finding,
    make_reel,
)


@pytest.fixture
def camera(session: Session, production: Production) -> Camera:
    return make_camera(session, production, letter="B", zone_rule=ZoneRule.UTC)


def shoot(session: Session, reel: Reel, *stamps: str, **facts: object) -> list[Clip]:
    """Clips of 20 s with a stamp each; their files are dated as of the end in Copenhagen's wall clock."""
    clips = []
    for number, stamp in enumerate(stamps):
        clip = make_clip(session, reel, f"CLIP/C{number:04}.MP4", frames=500)
        file = clip.files[0].file
        ends = dt.datetime.fromisoformat(stamp).replace(tzinfo=dt.UTC) + dt.timedelta(hours=-2, seconds=20)
        file.mtime_ns = int(ends.timestamp()) * 10**9
        values = {"frames": 500, "recorded_raw": stamp, "recorded_field": "movie header"} | facts
        make_facts(session, file, recorded_zone="assumed-utc", **values)
        clips.append(clip)
    rederive_times(session, reel.production)
    return clips


def codes(session: Session, *clips: Clip) -> list[tuple[int, str]]:
    rows = select(Finding.clip_id, Finding.code).where(Finding.clip_id.in_([clip.id for clip in clips]))
    return sorted(
        (clips.index(next(c for c in clips if c.id == key)), code) for key, code in session.execute(rows)
    )


def test_the_wrong_rule_is_found_and_forgotten_once_it_is_right(session: Session, camera: Camera) -> None:
    production = camera.production
    reel = make_reel(session, production, name="B001", camera_id=camera.id)
    clips = shoot(session, reel, "2026-05-12 10:00:00", "2026-05-12 11:00:00")
    other = make_finding(session, clips[0], code="no-signal")
    assert (recheck(session, production).added, codes(session, *clips)) == (
        1, [(0, "clock-file-time"), (0, "no-signal")]
    )  # fmt: skip
    assert recheck(session, production).added == 0  # nothing is said twice
    camera.zone_rule = ZoneRule.LOCAL
    rederive_times(session, production, camera)
    assert clips[0].shot_at == dt.datetime(2026, 5, 12, 8, tzinfo=dt.UTC)
    assert clips[0].shot_source == "movie header: start"
    assert recheck(session, production).removed == 1
    assert session.scalars(select(Finding)).all() == [other]


def test_the_sheet_is_followed_and_a_dismissal_stays(session: Session, camera: Camera) -> None:
    production = camera.production
    reel = make_reel(session, production, camera_id=camera.id)
    (clip,) = shoot(session, reel, "2026-05-12 10:00:00", rate_num=50, audio_codec="PCM", audio_rate=44_100)
    recheck(session, production)
    assert {code for _, code in codes(session, clip)} >= {"rate-deviates", "sound-rate-deviates"}
    finding = session.scalars(select(Finding).filter_by(code="rate-deviates")).one()
    finding.dismissed = "slow motion, as planned"
    production.audio_rate, production.width, production.height = None, 3840, 2160
    recheck(session, production)
    found = {code for _, code in codes(session, clip)}
    assert {"rate-deviates", "size-deviates"} <= found and "sound-rate-deviates" not in found
    assert finding.dismissed == "slow motion, as planned"


def test_a_mirrored_reel_is_told_on_the_later_one(session: Session, camera: Camera) -> None:
    production = camera.production
    first, second, third = (make_reel(session, production, name=name, camera_id=camera.id) for name in "XYZ")
    one, two, other = (
        make_clip(session, reel, "CLIP/C0001.MP4", start_frame=90_000) for reel in (first, second, third)
    )
    for clip in (one, two):
        clip.files[0].file.digest = "5" * 32
        part = make_file(session, clip.reel, "CLIP/C0002.MP4", digest="6" * 32)
        make_clip_file(session, clip, part, ordinal=1)
        session.expire(clip, ["files"])
    recheck(session, production)
    assert codes(session, one, two, other) == [(1, "mirror-of")]
    message = session.scalars(select(Finding.message)).one()
    assert "on reel Y is CLIP/C0001.MP4 on reel X once more" in message
    two.files[1].file.digest = "7" * 32  # one part has other bytes: no mirror
    recheck(session, production)
    assert codes(session, one, two, other) == []
    two.files[1].file.digest = "6" * 32
    two.start_frame = 90_001
    recheck(session, production)
    assert codes(session, one, two, other) == []


@pytest.mark.parametrize("field", ["digest", "size"])
def test_empty_and_unread_files_mirror_nothing(session: Session, camera: Camera, field: str) -> None:
    for name in "XY":
        clip = make_clip(session, make_reel(session, camera.production, name=name), "CLIP/C0001.MP4")
        clip.files[0].file.digest = "5" * 32
        setattr(clip.files[0].file, field, 0 if field == "size" else None)
    recheck(session, camera.production)
    assert session.scalars(select(Finding.code)).all() == []


def test_only_reviewed_codes_are_touched() -> None:
    assert REVIEWED.isdisjoint(
        {"no-signal", "media-unknown", "file-truncated", "part-missing", "rate-variable"}
    )
