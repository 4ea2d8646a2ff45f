"""Pairs of picture and sound: the clips that can be compared, and what the comparison found."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.chunks import in_chunks
from shared.catalogue.clip_rows import clip_seconds
from shared.errors import ConflictError, NotFoundError
from shared.models import (
    Clip,
    ClipFile,
    ClipMedia,
    Copy,
    CopyState,
    Destination,
    File,
    FileRole,
    Production,
    Reel,
    SoundPair,
    SyncMethod,
    SyncState,
    TakeFacts,
    now,
)


@dataclass(frozen=True, slots=True)
class EssencePart:
    """An essence file of a clip: the second of the clip at which it begins, and where verified copies are."""

    start: Fraction
    copies: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class PairRow:
    """One compared pair, for lists and for programs. `offset_samples` as in `shared.models.SoundPair`."""

    picture: str
    picture_id: int
    sound: str
    sound_id: int
    overlap_ms: int
    offset_samples: int | None
    rate: int
    drift_ppb: int | None
    confidence: float
    method: str
    state: str

    @property
    def offset_text(self) -> str | None:
        """The offset as ±HH:MM:SS.mmm, a label."""
        return None if self.offset_samples is None else offset_text(Fraction(self.offset_samples, self.rate))

    def as_json(self) -> dict[str, Any]:
        row = {name: getattr(self, name) for name in self.__slots__}
        return {**row, "offset": self.offset_text}


def offset_text(seconds: Fraction) -> str:
    """Seconds as ±HH:MM:SS.mmm, rounded to the millisecond."""
    milliseconds = round(abs(seconds) * 1000)
    whole, rest = divmod(milliseconds, 1000)
    sign = "-" if seconds < 0 and milliseconds else "+"
    return f"{sign}{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{rest:03d}"


def comparable_clips(
    session: Session, production: Production, clip_ids: Iterable[int] | None = None
) -> tuple[list[Clip], list[Clip]]:
    """Pictures that have sound, and sound files, whose time and length are known; in the order shot.

    With `clip_ids`, only pictures among these, and all sounds unless there are sounds among these too.
    """
    rows = session.execute(
        select(Clip, TakeFacts.audio_channels)
        .join(ClipFile, ClipFile.clip_id == Clip.id)
        .join(TakeFacts, TakeFacts.file_id == ClipFile.file_id)
        .where(
            Clip.production_id == production.id,
            Clip.media.in_((ClipMedia.VIDEO, ClipMedia.AUDIO)),
            Clip.shot_at.is_not(None),
            ClipFile.role == FileRole.ESSENCE,
            ClipFile.ordinal == 0,
        )
        .options(joinedload(Clip.reel))
        .order_by(Clip.shot_at, Clip.id)
    )
    clips = [clip for clip, channels in rows if channels and clip_seconds(clip)]
    wanted = None if clip_ids is None else set(clip_ids)
    pictures = [
        clip for clip in clips if clip.media is ClipMedia.VIDEO and (wanted is None or clip.id in wanted)
    ]
    sounds = [clip for clip in clips if clip.media is ClipMedia.AUDIO]
    if wanted is not None and any(clip.id in wanted for clip in sounds):
        sounds = [clip for clip in sounds if clip.id in wanted]
        pictures = pictures or [clip for clip in clips if clip.media is ClipMedia.VIDEO]
    return pictures, sounds


def essence_parts(session: Session, clip: Clip) -> tuple[EssencePart, ...]:
    """The clip's essence files in order. What follows a file of unknown length is left out."""
    rows = session.execute(
        select(File, TakeFacts)
        .join(ClipFile, ClipFile.file_id == File.id)
        .outerjoin(TakeFacts, TakeFacts.file_id == File.id)
        .where(ClipFile.clip_id == clip.id, ClipFile.role == FileRole.ESSENCE)
        .order_by(ClipFile.ordinal)
    ).all()
    parts, start = [], Fraction(0)
    for file, facts in rows:
        parts.append(EssencePart(start, _copies_of(session, file)))
        seconds = _seconds(facts)
        if seconds is None:
            break
        start += seconds
    return tuple(parts)


def _copies_of(session: Session, file: File) -> tuple[Path, ...]:
    rows = session.execute(
        select(Destination.path, Reel.folder)
        .join(Copy, Copy.destination_id == Destination.id)
        .join(File, File.id == Copy.file_id)
        .join(Reel, Reel.id == File.reel_id)
        .where(Copy.file_id == file.id, Copy.state == CopyState.VERIFIED)
        .order_by(Destination.id)
    )
    return tuple(Path(path) / folder / Path(os.fsdecode(file.path_bytes)) for path, folder in rows)


def _seconds(facts: TakeFacts | None) -> Fraction | None:
    if facts is None:
        return None
    if facts.frames and facts.rate_num and facts.rate_den:
        return Fraction(facts.frames * facts.rate_den, facts.rate_num)
    if facts.samples and facts.audio_rate:
        return Fraction(facts.samples, facts.audio_rate)
    return None


def find_pair(session: Session, picture_id: int, sound_id: int) -> SoundPair | None:
    return session.scalar(select(SoundPair).filter_by(picture_clip_id=picture_id, sound_clip_id=sound_id))


def store_pair(
    session: Session,
    picture_id: int,
    sound_id: int,
    *,
    overlap_ms: int,
    rate: int,
    offset_samples: int | None,
    drift_ppb: int | None,
    confidence: float,
    method: SyncMethod,
    state: SyncState,
) -> SoundPair:
    """Write what a comparison found, in the caller's transaction; what a person confirmed stays."""
    pair = find_pair(session, picture_id, sound_id)
    if pair is not None and pair.state is SyncState.CONFIRMED:
        return pair
    if pair is None:
        pair = SoundPair(picture_clip_id=picture_id, sound_clip_id=sound_id)
        session.add(pair)
    pair.overlap_ms, pair.rate = overlap_ms, rate
    pair.offset_samples, pair.drift_ppb = offset_samples, drift_ppb
    pair.confidence, pair.method, pair.state = confidence, method, state
    pair.created_at = now()
    session.flush()
    return pair


def confirm_pair(session: Session, picture: Clip, sound: Clip) -> SoundPair:
    """Say that a suggested pair is right. Raises NotFoundError or ConflictError."""
    pair = find_pair(session, picture.id, sound.id)
    if pair is None:
        raise NotFoundError(
            f"{name_of(picture)} and {name_of(sound)} were not compared yet",
            remedy="Run `rushlight sync --pair` with both first.",
        )
    if pair.offset_samples is None:
        raise ConflictError(
            f"{name_of(picture)} and {name_of(sound)} do not match", remedy="There is nothing to confirm."
        )
    pair.state = SyncState.CONFIRMED
    session.flush()
    return pair


def pairs_of(session: Session, clip_ids: Iterable[int]) -> list[PairRow]:
    """Every pair that matches and has one of these clips, once, by picture in the order shot."""
    found: dict[int, SoundPair] = {}
    for chunk in in_chunks(clip_ids):
        statement = (
            select(SoundPair)
            .where(
                or_(SoundPair.picture_clip_id.in_(chunk), SoundPair.sound_clip_id.in_(chunk)),
                SoundPair.offset_samples.is_not(None),
            )
            .options(
                joinedload(SoundPair.picture).joinedload(Clip.reel),
                joinedload(SoundPair.sound).joinedload(Clip.reel),
            )
        )
        found |= {pair.id: pair for pair in session.scalars(statement)}
    last = dt.datetime.max.replace(tzinfo=dt.UTC)
    ordered = sorted(found.values(), key=lambda pair: (pair.picture.shot_at or last, pair.id))
    return [_row(pair) for pair in ordered]


def pair_rows(session: Session, pair_ids: Sequence[int]) -> list[PairRow]:
    """Rows of these pairs, in the order given."""
    found: dict[int, SoundPair] = {}
    for chunk in in_chunks(pair_ids):
        for pair in session.scalars(select(SoundPair).where(SoundPair.id.in_(chunk))):
            found[pair.id] = pair
    return [_row(found[key]) for key in pair_ids if key in found]


def _row(pair: SoundPair) -> PairRow:
    return PairRow(
        picture=name_of(pair.picture),
        picture_id=pair.picture_clip_id,
        sound=name_of(pair.sound),
        sound_id=pair.sound_clip_id,
        overlap_ms=pair.overlap_ms,
        offset_samples=pair.offset_samples,
        rate=pair.rate,
        drift_ppb=pair.drift_ppb,
        confidence=round(pair.confidence, 3),
        method=pair.method.value,
        state=pair.state.value,
    )


def name_of(clip: Clip) -> str:
    """A clip as people and commands write it: reel and the last part of its name."""
    return f"{clip.reel.name}/{clip.name.rsplit('/', 1)[-1]}"
