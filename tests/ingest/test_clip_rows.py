"""What is logged of a reel is the same however many clips are written at a time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest import recheck, record_clips
from ingest.media.facts import FAULT, NOTE, Described, Noticed, StillTaken
from ingest.record_clips import log_clips
from ingest.spans import MediaFile
from shared.db import Sessions, reading, writing
from shared.models import Clip, ClipFile, File, Finding, Still
from tests import factories as make
from tests.ingest.clips_support import FULL, NOON, SECOND, other, photo, sound, video

SLOW: dict[str, Any] = {
    "audio_codec": None,
    "rate_mode": "constant",
    "frames": 1000,
    "recorded_raw": "2026-05-12 12:00:00",
}
FILES = [
    video("CLIP/C0001.MP4", size=FULL, start_frame=0),  # continued in the next
    video("CLIP/C0002.MP4", start_frame=250, mtime_ns=NOON + 10 * SECOND),
    other("CLIP/C0001M01.XML"),
    video("CLIP/C0003.MP4", mtime_ns=NOON + 10 * SECOND, **SLOW),
    video("CLIP/C0009.MP4", size=FULL, start_frame=9000),  # its next part is missing
    video("CLIP/C0005.MP4", width=640, height=360, frames=99),
    video("SUB/C0005S03.MP4", size=900, frames=98),
    photo("CLIP/P0001.JPG"),
    sound("CLIP/S0001.WAV", reference=48_000),
    MediaFile(b"CLIP/X0001.MOV", 0, NOON),
]


def said_of(file: MediaFile) -> Described:
    noticed = (Noticed("recorded-date-unset", NOTE, "x"), Noticed("decode-errors", FAULT, "y", 3, "frames"))
    name = file.path.decode().replace("/", "-")
    return Described(file.facts, (StillTaken(0, "frame", 5, f"{name}.jpg", 64, 36),), noticed)


def log(catalogue: Sessions, files: list[MediaFile]) -> int:
    """Log these files of a new reel, then the others; returns its id."""
    with writing(catalogue) as session:
        production = make.make_production(session)
        production.width, production.height = 1920, 1080
        reel = make.make_reel(session, production, name="A001")
        for file in FILES:
            make.make_file(
                session,
                reel,
                file.path.decode(),
                mtime_ns=file.mtime_ns,
                size=file.size,
                problem=file.problem,
            )
        reel_id = reel.id
    problems = log_clips(catalogue, reel_id, {file.path: said_of(file) for file in files})
    assert [one.path for one in problems] == sorted(file.path.decode() for file in files)
    log_clips(catalogue, reel_id, {file.path: said_of(file) for file in FILES if file not in files})
    return reel_id


def logged(session: Session, reel_id: int) -> list[object]:
    clips = session.scalars(select(Clip).filter_by(reel_id=reel_id).order_by(Clip.name)).all()
    columns = [key for key in (column.name for column in Clip.__table__.columns) if not key.endswith("id")]
    return [[tuple(getattr(clip, key) for key in columns), *_beside(session, clip)] for clip in clips]


def _beside(session: Session, clip: Clip) -> list[list[tuple[object, ...]]]:
    files = (
        select(File.path, ClipFile.role, ClipFile.ordinal).join(ClipFile).where(ClipFile.clip_id == clip.id)
    )
    stills = select(Still.ordinal, Still.frame, Still.width).where(Still.clip_id == clip.id)
    findings = select(Finding.code, Finding.severity, Finding.message, Finding.value, File.path)
    found = findings.outerjoin(File, File.id == Finding.file_id).where(Finding.clip_id == clip.id)
    return [
        [tuple(row) for row in session.execute(statement)]
        for statement in (
            files.order_by(ClipFile.ordinal),
            stills.order_by(Still.ordinal),
            found.order_by(Finding.id),
        )
    ]


@pytest.mark.parametrize("first", [len(FILES), 4])  # all in one run, and in two
def test_one_at_a_time_as_all_at_once(
    catalogue: Sessions, monkeypatch: pytest.MonkeyPatch, first: int
) -> None:
    together = log(catalogue, FILES[:first])
    monkeypatch.setattr(record_clips, "AT_ONCE", 1)
    monkeypatch.setattr(recheck, "AT_ONCE", 1)
    singly = log(catalogue, FILES[:first])
    with reading(catalogue) as session:
        found = logged(session, together)
        assert logged(session, singly) == found
        codes = set(session.scalars(select(Finding.code)))
    assert len(found) == 7
    assert {"clip-spans-files", "part-missing", "size-deviates", "media-unknown", "decode-errors"} <= codes


def test_a_clip_that_is_there_keeps_its_id_and_what_was_dismissed(catalogue: Sessions) -> None:
    reel_id = log(catalogue, FILES)
    with writing(catalogue) as session:
        ids = dict(session.execute(select(Clip.name, Clip.id)).all())
        finding = session.scalars(select(Finding).where(Finding.code == "decode-errors")).first()
        assert finding is not None
        finding.dismissed, dismissed = "seen", finding.id
        count = len(session.scalars(select(Finding.id)).all())
    changed = [replace(file, facts=file.facts and replace(file.facts, scan="p")) for file in FILES]
    log_clips(catalogue, reel_id, {file.path: said_of(file) for file in changed})
    with reading(catalogue) as session:
        assert dict(session.execute(select(Clip.name, Clip.id)).all()) == ids
        assert session.get_one(Finding, dismissed).dismissed == "seen"
        assert len(session.scalars(select(Finding.id)).all()) == count
        assert len(session.scalars(select(Still.id)).all()) == len(FILES) - 2  # of companions there is none
