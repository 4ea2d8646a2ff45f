"""Clips for a list, read as plain rows: making mapped objects would cost more than asking for them."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from shared.catalogue.chunks import in_chunks
from shared.models import (
    Camera,
    Clip,
    ClipMedia,
    ClipTimes,
    Lens,
    LogEntry,
    Person,
    Reel,
    ShootingDay,
    Still,
    StillKind,
    Tag,
    entry_person,
    entry_tag,
)
from shared.query_fields import TERM_FIELDS, TEXT_FIELDS

SAID = (*TERM_FIELDS, *TEXT_FIELDS, "version", "updated_at", "updated_by")


@dataclass(frozen=True, slots=True)
class EntryLine:
    """What a person said of a clip. `said` has a value for each name in SAID."""

    said: Mapping[str, Any]
    tags: Sequence[str]
    people: Sequence[str]


@dataclass(frozen=True, slots=True)
class StillLine:
    id: int
    kind: StillKind
    frame: int | None
    path: str
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class ClipLine(ClipTimes):
    """One clip of a list, names in place of what it points at. `entry` is None: nobody has logged it."""

    entry: EntryLine | None
    stills: Sequence[StillLine]
    id: int
    name: str
    media: ClipMedia
    lens_assumed: bool
    shot_at: dt.datetime | None
    shot_certainty: str
    shot_source: str
    shot_read_as: str
    shot_correction_ms: int
    rate_num: int | None
    rate_den: int | None
    capture_num: int | None
    capture_den: int | None
    capture_certainty: str
    frames: int | None
    start_frame: int | None
    drop_frame: bool
    reel: str
    camera: str | None
    lens: str | None
    day: int | None
    date: dt.date | None


_IDS: Any = bindparam("ids", expanding=True)
_OF_CLIP = [
    *("id", "name", "media", "lens_assumed"),
    *("shot_at", "shot_certainty", "shot_source", "shot_read_as", "shot_correction_ms"),
    *("rate_num", "rate_den", "capture_num", "capture_den", "capture_certainty"),
    *("frames", "start_frame", "drop_frame"),
]
# Made once: putting a statement together takes as long as running it.
_CLIPS = (
    select(
        *(getattr(Clip, name) for name in _OF_CLIP),
        Reel.name,
        Camera.letter,
        Lens.name,
        ShootingDay.number,
        ShootingDay.date,
        LogEntry.id,
        *(getattr(LogEntry, name) for name in SAID),
    )
    .join(Reel, Reel.id == Clip.reel_id)
    .outerjoin(Camera, Camera.id == Clip.camera_id)
    .outerjoin(Lens, Lens.id == Clip.lens_id)
    .outerjoin(ShootingDay, ShootingDay.id == Clip.day_id)
    .outerjoin(LogEntry, LogEntry.clip_id == Clip.id)
    .where(Clip.id.in_(_IDS))
)
_STILLS = (
    select(Still.clip_id, Still.id, Still.kind, Still.frame, Still.path, Still.width, Still.height)
    .where(Still.clip_id.in_(_IDS))
    .order_by(Still.clip_id, Still.ordinal)
)
_TAGS = (
    select(entry_tag.c.entry_id, Tag.name)
    .join(Tag, Tag.id == entry_tag.c.tag_id)
    .where(entry_tag.c.entry_id.in_(_IDS))
    .order_by(Tag.name)
)
_PEOPLE = (
    select(entry_person.c.entry_id, Person.name)
    .join(Person, Person.id == entry_person.c.person_id)
    .where(entry_person.c.entry_id.in_(_IDS))
    .order_by(Person.name)
)
_ENTRY = len(_OF_CLIP) + 5  # where the entry's columns begin


def read_lines(session: Session, clip_ids: Sequence[int]) -> list[ClipLine]:
    """These clips in this order; the number of statements does not grow with each clip."""
    rows: dict[int, Any] = {
        row[0]: row for chunk in in_chunks(clip_ids) for row in session.execute(_CLIPS, {"ids": chunk})
    }
    entries = [row[_ENTRY] for row in rows.values() if row[_ENTRY] is not None]
    tags, people = _names(session, _TAGS, entries), _names(session, _PEOPLE, entries)
    stills = read_still_lines(session, clip_ids)
    return [
        ClipLine(_entry(row[_ENTRY], row[_ENTRY + 1 :], tags, people), stills.get(key, ()), *row[:_ENTRY])
        for key in clip_ids
        if (row := rows.get(key)) is not None
    ]


def read_still_lines(session: Session, clip_ids: Sequence[int]) -> dict[int, list[StillLine]]:
    """By clip id, in order; clips without one have no key."""
    found: dict[int, list[StillLine]] = defaultdict(list)
    for chunk in in_chunks(clip_ids):
        for row in session.execute(_STILLS, {"ids": chunk}):
            found[row[0]].append(StillLine(*row[1:]))
    return dict(found)


def _names(session: Session, statement: Any, entry_ids: Sequence[int]) -> dict[int, list[str]]:
    found: dict[int, list[str]] = defaultdict(list)
    for chunk in in_chunks(entry_ids):
        for entry_id, name in session.execute(statement, {"ids": chunk}):
            found[entry_id].append(name)
    return found


def _entry(
    entry_id: int | None,
    said: Sequence[Any],
    tags: Mapping[int, list[str]],
    people: Mapping[int, list[str]],
) -> EntryLine | None:
    if entry_id is None:
        return None
    return EntryLine(
        dict(zip(SAID, said, strict=True)), tags=tags.get(entry_id, ()), people=people.get(entry_id, ())
    )
