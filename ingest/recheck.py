"""Judge all clips of a production again, from the catalogue alone: clocks, deviations, mirrored reels.

Done after each offload, and when a correction, a rule or the sheet has changed. What no longer holds goes;
what still holds stays as it is, with a person's dismissal.
"""

from __future__ import annotations

import datetime as dt
import zoneinfo
from array import array
from collections import defaultdict
from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from fractions import Fraction
from functools import lru_cache
from sys import intern
from typing import Any

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session, aliased

from ingest import clockcheck, deviations
from ingest.clockcheck import Shoot, Take, check_clocks
from ingest.clocksound import Heard, check_by_sound
from ingest.deviations import Made, Sheet, find_deviations
from ingest.media.facts import Facts, Noticed
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
from shared.models.clip_times import ClipTimes
from shared.timecode import Rate
from shared.when import duration, parse_stamp

Found = dict[int, dict[str, Noticed]]  # by clip, by code

AT_ONCE = 200  # clips whose rows are in memory at one time
REVIEWED = clockcheck.CODES | deviations.CODES | {MIRROR_OF}


@dataclass(frozen=True, slots=True)
class Review:
    """Findings that are new, and those that were taken away since they hold no longer."""

    added: int
    removed: int


def recheck(session: Session, production: Production) -> Review:
    """Bring the findings of `REVIEWED` up to date for every clip of the production."""
    session.flush()
    every = select(Clip.id).where(Clip.production_id == production.id).order_by(Clip.id)
    ids = array("q", session.scalars(every))
    takes, twins = _read_all(session, production, ids)
    by_times = _first_of_each(
        (*check_clocks(takes, _shoot(production)), *check_by_sound(_heard(session, production, takes)))
    )
    by_bytes = _first_of_each(find_mirrors(twins))
    del takes, twins
    sheet = sheet_of(production)
    added = removed = 0
    for chunk in in_chunks(ids, AT_ONCE):
        found: Found = {}
        for row in _rows(session, chunk):
            made = {one.code: one for one in find_deviations(_made(row), sheet)}
            # In this order they are listed with a clip.
            found[row.id] = {**by_times.get(row.id, {}), **made, **by_bytes.get(row.id, {})}
        review = _settle(session, list(found), found)
        added, removed = added + review.added, removed + review.removed
    return Review(added, removed)


def _first_of_each(told: Iterable[tuple[int, Noticed]]) -> Found:
    """What was noticed, by clip and code; of two with one code the first."""
    found: Found = {}
    for clip_id, noticed in told:
        found.setdefault(clip_id, {}).setdefault(noticed.code, noticed)
    return found


def _read_all(
    session: Session, production: Production, clip_ids: Iterable[int]
) -> tuple[list[Take], list[Twin]]:
    """What is compared across the whole production. There may be very many clips: all else is let go of."""
    takes: list[Take] = []
    twins: list[Twin] = []
    repeated = _repeated(session, production)
    for chunk in in_chunks(clip_ids, AT_ONCE):
        rows = _rows(session, chunk)
        takes += (_take(row, production) for row in rows)
        twins += _twins(session, rows, repeated) if repeated else ()
    return takes, twins


def _repeated(session: Session, production: Production) -> frozenset[str]:
    """The hashes that files of more than one reel have: only what holds these can be on two reels."""
    statement = (
        select(File.digest)
        .join(Reel, Reel.id == File.reel_id)
        .where(Reel.production_id == production.id, File.digest.is_not(None), File.size > 0)
        .group_by(File.digest)
        .having(func.count(File.reel_id.distinct()) > 1)
    )
    return frozenset(digest for digest in session.scalars(statement) if digest is not None)


def _heard(session: Session, production: Production, takes: Sequence[Take]) -> list[Heard]:
    """The pairs of the production that match by their sound."""
    pairs = session.execute(
        select(SoundPair.picture_clip_id, SoundPair.sound_clip_id, SoundPair.offset_samples, SoundPair.rate)
        .join(Clip, Clip.id == SoundPair.picture_clip_id)
        .where(
            Clip.production_id == production.id,
            SoundPair.method == SyncMethod.SOUND,
            SoundPair.offset_samples.is_not(None),
        )
        .order_by(SoundPair.id)
    ).all()
    wanted = {clip_id for picture, sound, _, _ in pairs for clip_id in (picture, sound)}
    by_id = {take.clip_id: take for take in takes if take.clip_id in wanted}
    return [
        Heard(by_id[picture], by_id[sound], Fraction(offset, rate))
        for picture, sound, offset, rate in pairs
        if offset is not None and picture in by_id and sound in by_id
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
class _Row(ClipTimes):
    """A clip with its first file and that file's facts, as plain values; `facts` has `_FACTS` only."""

    id: int
    media: ClipMedia
    shot_at: dt.datetime | None
    shot_read_as: str
    shot_correction_ms: int
    day_by_hand: bool
    rate_num: int | None
    rate_den: int | None
    capture_num: int | None
    capture_den: int | None
    frames: int | None
    start_frame: int | None
    drop_frame: bool
    letter: str
    reel: str
    path: str
    size: int
    mtime_ns: int
    facts: Facts | None


_CLIP = tuple(field.name for field in fields(_Row))[:-6]
_FACTS = (
    *("video_codec", "width", "height", "rotation", "rate_num", "rate_den", "rate_mode", "frames"),
    *("start_frame", "drop_frame", "transfer", "audio_codec", "audio_rate", "samples"),
    *("recorded_raw", "recorded_zone", "more"),
)


def _rows(session: Session, clip_ids: Sequence[int]) -> list[_Row]:
    """Those of these clips that have a file of picture or sound, in the order of their ids."""
    earlier = aliased(ClipFile)
    statement = (
        select(
            *(getattr(Clip, name) for name in _CLIP),
            *(Camera.letter, Reel.name, File.path, File.size, File.mtime_ns, TakeFacts.id),
            *(getattr(TakeFacts, name) for name in _FACTS),
        )
        .join(Reel, Reel.id == Clip.reel_id)
        .join(ClipFile, ClipFile.clip_id == Clip.id)
        .join(File, File.id == ClipFile.file_id)
        .outerjoin(Camera, Camera.id == Clip.camera_id)
        .outerjoin(TakeFacts, TakeFacts.file_id == File.id)
        .where(
            Clip.id.in_(clip_ids),
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
    for values in session.execute(statement):
        clip, facts = values[: len(_CLIP)], values[-len(_FACTS) :]
        letter, reel, path, size, mtime_ns, known = values[len(_CLIP) : -len(_FACTS)]
        said = None if known is None else Facts(**dict(zip(_FACTS, facts, strict=True)))
        row = dict(zip(_CLIP, clip, strict=True))
        found.setdefault(
            clip[0],
            _Row(
                **row,
                letter=letter or "",
                reel=intern(reel),
                path=path,
                size=size,
                mtime_ns=mtime_ns,
                facts=said,
            ),
        )
    return list(found.values())


def _take(row: _Row, production: Production) -> Take:
    facts = row.facts
    correction = _span(row.shot_correction_ms)
    stamp = parse_stamp(facts.recorded_raw) if facts is not None and facts.recorded_raw else None
    return Take(
        row.id,
        row.letter,
        row.reel,
        row.path,
        None if row.shot_at is None else row.shot_at - correction,
        correction,
        None if stamp is None else stamp[0].replace(tzinfo=None),
        intern(row.shot_read_as),
        Fraction(row.mtime_ns, 10**9),
        _real_length(row),
        _time_of_day(facts),
        None if row.shot_at is None else shooting_date(production, row.shot_at),
        row.day_by_hand,
    )


@lru_cache(maxsize=64)
def _span(milliseconds: int) -> dt.timedelta:
    """The same object for the same span: very many clips of a camera have one."""
    return dt.timedelta(milliseconds=milliseconds)


def _real_length(row: _Row) -> Fraction | None:
    """How long the first file took to record: less than it plays, where more pictures were taken a second."""
    length = None if row.facts is None else duration(row.facts)
    plays, taken = row.per_second, row.capture_rate
    return length * plays / taken if length is not None and plays and taken else length


def _time_of_day(facts: Facts | None) -> Fraction | None:
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


def _rate(facts: Facts) -> Rate | None:
    try:
        return Rate(facts.rate_num, facts.rate_den) if facts.rate_num and facts.rate_den else None
    except TimecodeError:
        return None


def _made(row: _Row) -> Made:
    facts, media = row.facts, row.media
    if facts is None or media not in (ClipMedia.VIDEO, ClipMedia.AUDIO):
        return Made()
    sound = facts.audio_rate if facts.audio_codec is not None else None
    if media is ClipMedia.AUDIO:
        return Made(audio_rate=sound, shot_at=row.shot_at, stamp=_stated(facts))
    return Made(
        _rate(facts),
        facts.rate_mode == "variable",
        None if facts.start_frame is None else bool(facts.drop_frame),
        facts.width,
        facts.height,
        facts.rotation or 0,
        facts.transfer,
        sound,
        row.shot_at,
        _stated(facts),
    )


def _stated(facts: Facts) -> str | None:
    return facts.recorded_raw if facts.recorded_zone == "stated" else None


def _twins(session: Session, rows: Sequence[_Row], repeated: Container[str]) -> Iterator[Twin]:
    """Those of these clips whose files of picture and sound have such hashes only, with them in order."""
    digests: dict[int, list[tuple[str, str] | None]] = defaultdict(list)
    statement = (
        select(ClipFile.clip_id, File.algorithm, File.digest)
        .join(File, File.id == ClipFile.file_id)
        .where(ClipFile.clip_id.in_([row.id for row in rows]), ClipFile.role == FileRole.ESSENCE)
        .order_by(ClipFile.clip_id, ClipFile.ordinal)
    )
    for clip_id, algorithm, digest in session.execute(statement):
        digests[clip_id].append((algorithm, digest) if digest is not None and digest in repeated else None)
    for row in rows:
        known = [one for one in digests[row.id] if one is not None]
        if row.size and known and len(known) == len(digests[row.id]):
            yield Twin(row.id, row.reel, row.path, row.start_frame, row.frames, tuple(known))


def _settle(session: Session, clip_ids: Sequence[int], found: Found) -> Review:
    there: dict[tuple[int, str], Finding] = {}
    stale: list[int] = []
    for row in session.scalars(
        select(Finding).where(Finding.clip_id.in_(clip_ids), Finding.code.in_(REVIEWED)).order_by(Finding.id)
    ):
        assert row.clip_id is not None, "found by it"
        key = (row.clip_id, row.code)
        if row.code in found.get(row.clip_id, {}) and key not in there:
            there[key] = row
        else:
            stale.append(row.id)
    if stale:
        session.execute(delete(Finding).where(Finding.id.in_(stale)))
    told = [(clip_id, noticed) for clip_id, some in found.items() for noticed in some.values()]
    for clip_id, noticed in told:
        row = there.get((clip_id, noticed.code)) or Finding(clip_id=clip_id, code=noticed.code)
        row.severity, row.message = Severity(noticed.severity), noticed.message
        row.value, row.unit, row.rule = noticed.value, noticed.unit, noticed.rule
        session.add(row)
    session.flush()
    return Review(len(told) - len(there), len(stale))
