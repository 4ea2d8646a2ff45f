"""Judge all clips of a production again, from the catalogue alone: clocks, deviations, mirrored reels.

Done after each offload, and when a correction, a rule or the sheet has changed. What no longer holds goes;
what still holds stays as it is, with a person's dismissal.
"""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session, aliased

from ingest import clockcheck, deviations
from ingest.clockcheck import Shoot, Take, check_clocks
from ingest.clocksound import Heard, check_by_sound
from ingest.deviations import Made, Sheet, find_deviations
from ingest.media.facts import Noticed
from ingest.mirrors import MIRROR_OF, Twin, find_mirrors
from shared.catalogue.chunks import in_chunks
from shared.catalogue.productions import shooting_date
from shared.errors import TimecodeError
from shared.models import (
    Camera,
    Clip,
    ClipFile,
    ClipMedia,
    File,
    FileRole,
    Finding,
    Production,
    Reel,
    Severity,
    SoundPair,
    SyncMethod,
    TakeFacts,
)
from shared.timecode import Rate
from shared.when import duration, parse_stamp

REVIEWED = clockcheck.CODES | deviations.CODES | {MIRROR_OF}


@dataclass(frozen=True, slots=True)
class Review:
    """Findings that are new, and those that were taken away since they hold no longer."""

    added: int
    removed: int


def recheck(session: Session, production: Production) -> Review:
    """Bring the findings of `REVIEWED` up to date for every clip of the production."""
    session.flush()
    rows = _rows(session, production)
    sheet = sheet_of(production)
    found: dict[tuple[int, str], Noticed] = {}
    takes = {row.clip.id: _take(row, production) for row in rows}
    for clip_id, noticed in (
        *check_clocks(list(takes.values()), _shoot(production)),
        *check_by_sound(_heard(session, production, takes)),
        *((row.clip.id, one) for row in rows for one in find_deviations(_made(row), sheet)),
        *find_mirrors(_twins(session, rows)),
    ):
        found.setdefault((clip_id, noticed.code), noticed)
    return _settle(session, [row.clip.id for row in rows], found)


def _heard(session: Session, production: Production, takes: Mapping[int, Take]) -> list[Heard]:
    """The pairs of the production that match by their sound."""
    statement = (
        select(SoundPair)
        .join(Clip, Clip.id == SoundPair.picture_clip_id)
        .where(
            Clip.production_id == production.id,
            SoundPair.method == SyncMethod.SOUND,
            SoundPair.offset_samples.is_not(None),
        )
        .order_by(SoundPair.id)
    )
    return [
        Heard(picture, sound, Fraction(pair.offset_samples, pair.rate))
        for pair in session.scalars(statement)
        if pair.offset_samples is not None
        and (picture := takes.get(pair.picture_clip_id)) is not None
        and (sound := takes.get(pair.sound_clip_id)) is not None
    ]


def sheet_of(production: Production) -> Sheet:
    """What the production lays down for every clip."""
    return Sheet(
        production.rate,
        zoneinfo.ZoneInfo(production.zone),
        production.drop_frame,
        production.width,
        production.height,
        production.transfer,
        production.audio_rate,
    )


def _shoot(production: Production) -> Shoot:
    planned = frozenset(day.date for day in production.days if day.goal)
    return Shoot(zoneinfo.ZoneInfo(production.zone), planned)


@dataclass(frozen=True, slots=True)
class _Row:
    """A clip with its first file and that file's facts."""

    clip: Clip
    letter: str
    reel: str
    file: File
    facts: TakeFacts | None


def _rows(session: Session, production: Production) -> list[_Row]:
    """Every clip that has a file of picture or sound, in the order of their ids."""
    earlier = aliased(ClipFile)
    statement = (
        select(Clip, Camera.letter, Reel.name, File, TakeFacts)
        .join(Reel, Reel.id == Clip.reel_id)
        .join(ClipFile, ClipFile.clip_id == Clip.id)
        .join(File, File.id == ClipFile.file_id)
        .outerjoin(Camera, Camera.id == Clip.camera_id)
        .outerjoin(TakeFacts, TakeFacts.file_id == File.id)
        .where(
            Clip.production_id == production.id,
            ClipFile.role == FileRole.ESSENCE,
            ~select(earlier.id)
            .where(
                earlier.clip_id == Clip.id,
                earlier.role == FileRole.ESSENCE,
                earlier.ordinal < ClipFile.ordinal,
            )
            .exists(),
        )
        .order_by(Clip.id, File.id)
    )
    found: dict[int, _Row] = {}
    for clip, letter, reel, file, facts in session.execute(statement):
        found.setdefault(clip.id, _Row(clip, letter or "", reel, file, facts))
    return list(found.values())


def _take(row: _Row, production: Production) -> Take:
    clip, facts = row.clip, row.facts
    correction = dt.timedelta(milliseconds=clip.shot_correction_ms)
    stamp = parse_stamp(facts.recorded_raw) if facts is not None and facts.recorded_raw else None
    return Take(
        clip.id,
        row.letter,
        row.reel,
        row.file.path,
        None if clip.shot_at is None else clip.shot_at - correction,
        correction,
        None if stamp is None else stamp[0].replace(tzinfo=None),
        clip.shot_read_as,
        Fraction(row.file.mtime_ns, 10**9),
        _real_length(clip, facts),
        _time_of_day(facts),
        None if clip.shot_at is None else shooting_date(production, clip.shot_at),
        clip.day_by_hand,
    )


def _real_length(clip: Clip, facts: TakeFacts | None) -> Fraction | None:
    """How long the first file took to record: less than it plays, where more pictures were taken a second."""
    length = None if facts is None else duration(facts)
    plays, taken = clip.per_second, clip.capture_rate
    return length * plays / taken if length is not None and plays and taken else length


def _time_of_day(facts: TakeFacts | None) -> Fraction | None:
    """What the start timecode shows, in seconds since midnight; for sound, the samples of a `bext`."""
    if facts is None:
        return None
    if facts.video_codec is None:
        samples: Any = facts.more.get("time_reference_samples")
        return Fraction(samples, facts.audio_rate) if isinstance(samples, int) and facts.audio_rate else None
    rate = _rate(facts)
    if facts.start_frame is None or rate is None:
        return None
    return (
        rate.frames_to_seconds(facts.start_frame)
        if facts.drop_frame
        else Fraction(facts.start_frame, rate.nominal)
    )


def _rate(facts: TakeFacts) -> Rate | None:
    try:
        return Rate(facts.rate_num, facts.rate_den) if facts.rate_num and facts.rate_den else None
    except TimecodeError:
        return None


def _made(row: _Row) -> Made:
    facts, media = row.facts, row.clip.media
    if facts is None or media not in (ClipMedia.VIDEO, ClipMedia.AUDIO):
        return Made()
    sound = facts.audio_rate if facts.audio_codec is not None else None
    if media is ClipMedia.AUDIO:
        return Made(audio_rate=sound, shot_at=row.clip.shot_at, stamp=_stated(facts))
    return Made(
        _rate(facts),
        facts.rate_mode == "variable",
        None if facts.start_frame is None else bool(facts.drop_frame),
        facts.width,
        facts.height,
        facts.rotation or 0,
        facts.transfer,
        sound,
        row.clip.shot_at,
        _stated(facts),
    )


def _stated(facts: TakeFacts) -> str | None:
    return facts.recorded_raw if facts.recorded_zone == "stated" else None


def _twins(session: Session, rows: Sequence[_Row]) -> list[Twin]:
    """Clips with the hashes of all their files of picture and sound, in order."""
    digests: dict[int, list[tuple[str, str] | None]] = defaultdict(list)
    for chunk in in_chunks(row.clip.id for row in rows):
        statement = (
            select(ClipFile.clip_id, File.algorithm, File.digest)
            .join(File, File.id == ClipFile.file_id)
            .where(ClipFile.clip_id.in_(chunk), ClipFile.role == FileRole.ESSENCE)
            .order_by(ClipFile.clip_id, ClipFile.ordinal)
        )
        for clip_id, algorithm, digest in session.execute(statement):
            digests[clip_id].append(None if digest is None else (algorithm, digest))
    return [
        Twin(
            row.clip.id,
            row.reel,
            row.file.path,
            row.clip.start_frame,
            row.clip.frames,
            tuple(known) if None not in (known := digests[row.clip.id]) else (),  # type: ignore[arg-type]
        )
        for row in rows
        if row.file.size
    ]


def _settle(session: Session, clip_ids: Sequence[int], found: Mapping[tuple[int, str], Noticed]) -> Review:
    there: dict[tuple[int, str], Finding] = {}
    stale: list[int] = []
    for chunk in in_chunks(clip_ids):
        for row in session.scalars(
            select(Finding).where(Finding.clip_id.in_(chunk), Finding.code.in_(REVIEWED)).order_by(Finding.id)
        ):
            assert row.clip_id is not None, "found by it"
            key = (row.clip_id, row.code)
            if key in found and key not in there:
                there[key] = row
            else:
                stale.append(row.id)
    for chunk in in_chunks(stale):
        session.execute(delete(Finding).where(Finding.id.in_(chunk)))
    for key, noticed in found.items():
        row = there.get(key) or Finding(clip_id=key[0], code=noticed.code)
        row.severity, row.message = Severity(noticed.severity), noticed.message
        row.value, row.unit, row.rule = noticed.value, noticed.unit, noticed.rule
        session.add(row)
    session.flush()
    return Review(len(found) - len(there), len(stale))
