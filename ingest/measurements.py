"""Which files are still to be measured, and the rows of those that were."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session, joinedload

from ingest.measure import picture_numbers, sound_numbers
from ingest.measure.picture_numbers import PictureMeasured
from ingest.measure.sound_numbers import SoundMeasured
from ingest.media.facts import FACT_NAMES, Facts
from shared.catalogue.chunks import in_chunks
from shared.models import (
    Clip,
    ClipFile,
    ClipMedia,
    Copy,
    CopyState,
    File,
    FileRole,
    MeasureKind,
    Measurement,
    TakeFacts,
    now,
)

VERSIONS: Mapping[MeasureKind, int] = {
    MeasureKind.PICTURE: picture_numbers.VERSION,
    MeasureKind.SOUND: sound_numbers.VERSION,
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """A file to measure, for `kinds`. `proxy`: what is measured instead of its picture, with its facts."""

    file_id: int
    kinds: tuple[MeasureKind, ...]
    facts: Facts
    copies: tuple[Path, ...]
    proxy_id: int | None = None
    proxy_facts: Facts | None = None
    proxy_copies: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Measured:
    """What one measurement gave: numbers as plain JSON, or None and the problem."""

    file_id: int
    kind: MeasureKind
    numbers: dict[str, Any] | None
    problem: str = ""
    read_from_id: int | None = None


def kinds_of(facts: Facts) -> tuple[MeasureKind, ...]:
    """What can be measured of a file that says this of itself."""
    has_picture = facts.video_codec is not None and facts.rate_num is not None
    picture = (MeasureKind.PICTURE,) if has_picture else ()
    return (*picture, MeasureKind.SOUND) if facts.audio_codec is not None else picture


def seconds_of(facts: Facts) -> float:
    """How long a file plays, 0 where it does not say."""
    if facts.frames and facts.rate_num and facts.rate_den:
        return float(Fraction(facts.frames * facts.rate_den, facts.rate_num))
    return float(Fraction(facts.samples, facts.audio_rate)) if facts.samples and facts.audio_rate else 0.0


def stands_for(proxy: Facts, take: Facts) -> bool:
    """Whether a proxy shows the same pictures: as many, at the same rate."""
    same_rate = (proxy.rate_num, proxy.rate_den) == (take.rate_num, take.rate_den)
    return take.frames is not None and proxy.frames == take.frames and same_rate


def measured_of(
    file_id: int, answer: PictureMeasured | SoundMeasured, read_from_id: int | None = None
) -> Measured:
    """A pool's answer as it is kept. Sound of which a part could not be read keeps its numbers."""
    if isinstance(answer, PictureMeasured):
        numbers = None if answer.numbers is None else answer.numbers.to_json()
        return Measured(file_id, MeasureKind.PICTURE, numbers, answer.problem, read_from_id)
    numbers = answer.to_json() if answer.channels or answer.problem is None else None
    return Measured(file_id, MeasureKind.SOUND, numbers, answer.problem or "")


def write_measured(session: Session, found: Iterable[Measured]) -> None:
    """Keep these numbers in place of earlier ones."""
    for one in found:
        session.execute(
            delete(Measurement).where(Measurement.file_id == one.file_id, Measurement.kind == one.kind)
        )
        session.add(
            Measurement(
                file_id=one.file_id,
                kind=one.kind,
                version=VERSIONS[one.kind],
                read_from_id=one.read_from_id,
                numbers=one.numbers,
                problem=one.problem,
                measured_at=now(),
            )
        )
    session.flush()


def list_wanted(session: Session, clip_ids: Sequence[int]) -> list[Wanted]:
    """The files of these clips that were never measured, or in another way than this program measures."""
    wanted: list[Wanted] = []
    for chunk in in_chunks(clip_ids):
        members = _members(session, chunk)
        file_ids = [row.file_id for rows in members.values() for row in rows]
        facts = _facts(session, file_ids)
        done = _done(session, file_ids)
        for rows in members.values():
            proxies = [row for row in rows if row.role is FileRole.PROXY and row.file_id in facts]
            essences = [row for row in rows if row.role is FileRole.ESSENCE]
            for row in essences:
                if row.file_id not in facts:
                    continue
                kinds = tuple(k for k in kinds_of(facts[row.file_id]) if (row.file_id, k) not in done)
                if kinds:
                    wanted.append(_wanted(row, kinds, facts, proxies if len(essences) == 1 else []))
    return wanted


def _members(session: Session, clip_ids: Sequence[int]) -> dict[int, list[ClipFile]]:
    rows = (
        select(ClipFile)
        .join(Clip, Clip.id == ClipFile.clip_id)
        .where(ClipFile.clip_id.in_(clip_ids), Clip.media.in_((ClipMedia.VIDEO, ClipMedia.AUDIO)))
        .order_by(ClipFile.clip_id, ClipFile.ordinal)
        .options(
            joinedload(ClipFile.file).joinedload(File.reel),
            joinedload(ClipFile.file).selectinload(File.copies).joinedload(Copy.destination),
        )
    )
    found: dict[int, list[ClipFile]] = defaultdict(list)
    for row in session.scalars(rows):
        found[row.clip_id].append(row)
    return found


def _facts(session: Session, file_ids: Sequence[int]) -> dict[int, Facts]:
    found: dict[int, Facts] = {}
    for chunk in in_chunks(file_ids):
        for row in session.scalars(select(TakeFacts).where(TakeFacts.file_id.in_(chunk))):
            found[row.file_id] = Facts(**{name: getattr(row, name) for name in FACT_NAMES})
    return found


def _done(session: Session, file_ids: Sequence[int]) -> set[tuple[int, MeasureKind]]:
    found: set[tuple[int, MeasureKind]] = set()
    for chunk in in_chunks(file_ids):
        rows = select(Measurement.file_id, Measurement.kind, Measurement.version)
        found |= {
            (file_id, kind)
            for file_id, kind, version in session.execute(rows.where(Measurement.file_id.in_(chunk)))
            if version == VERSIONS[kind]
        }
    return found


def _wanted(
    row: ClipFile, kinds: tuple[MeasureKind, ...], facts: Mapping[int, Facts], proxies: Sequence[ClipFile]
) -> Wanted:
    mine = facts[row.file_id]
    for proxy in proxies:
        if stands_for(facts[proxy.file_id], mine) and (copies := _copies(proxy.file)):
            return Wanted(
                row.file_id, kinds, mine, _copies(row.file), proxy.file_id, facts[proxy.file_id], copies
            )
    return Wanted(row.file_id, kinds, mine, _copies(row.file))


def _copies(file: File) -> tuple[Path, ...]:
    """Where proven copies of a file should stand."""
    below = Path(file.reel.folder) / os.fsdecode(file.path_bytes)
    return tuple(
        Path(copy.destination.path) / below for copy in file.copies if copy.state is CopyState.VERIFIED
    )


def at_hand(copies: Sequence[Path]) -> Path | None:
    """The first of these copies that is there."""
    return next((path for path in copies if path.is_file()), None)
