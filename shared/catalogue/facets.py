"""How many of the clips a query finds have each value of each field, counted by the database.

This is what a count means: as many clips as are found when the value is added to the query. It takes a
second at a million clips; `shared/facets` keeps the same counts in bitmaps and is tested against this.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, func, select, union
from sqlalchemy.orm import InstrumentedAttribute, Session

from shared.catalogue.conditions import build_conditions, has
from shared.catalogue.ranges import Condition
from shared.models import (
    Camera,
    ChannelMap,
    Clip,
    ClipCue,
    ClipFile,
    ClipMedia,
    Finding,
    Lens,
    LogEntry,
    Moment,
    Person,
    Production,
    Reel,
    ShootingDay,
    Tag,
    entry_person,
    entry_tag,
)
from shared.query import Query
from shared.query_fields import MEDIA, TERM_FIELDS
from shared.vocabulary import Vocabulary

Rows = Select[*tuple[Any, ...]]

PRESENCE_SHOWN = ("log", "finding", "still", "transcript")
FIELDS_SHOWN = ("day", "camera", "lens", "reel", "person", "tag", "finding", "media", *TERM_FIELDS, "has")


@dataclass(frozen=True, slots=True)
class FacetValue:
    """`value` as a query takes it, `label` for people."""

    value: str
    label: str
    count: int


def facets(
    session: Session, production: Production, query: str | Query, vocabulary: Vocabulary
) -> dict[str, list[FacetValue]]:
    """Counts for each value that occurs among the clips found, by field; fields without one are left out.

    Vocabulary fields in the vocabulary's order, days by number, the rest by name. Raises QueryError.
    """
    conditions = build_conditions(session, production, query, vocabulary)
    found: dict[str, list[FacetValue]] = {
        field: [FacetValue(str(value), str(label), count) for value, label, count in session.execute(rows)]
        for field, rows in _named_counts(conditions).items()
    }
    media = _counts(session, conditions, Clip.media)
    found["media"] = [
        FacetValue(kind, kind, media[ClipMedia(kind)]) for kind in MEDIA if ClipMedia(kind) in media
    ]
    for field in TERM_FIELDS:
        found[field] = _count_terms(session, conditions, vocabulary, field)
    found["has"] = _count_presence(session, conditions)
    return {field: values for field, values in found.items() if values}


# -- (clip, value), for values that a clip may have several of ----------------------------------------


def tag_links() -> list[Rows]:
    """(clip, tag): of the clip's own entry, and of the moments inside it."""
    return [rows.add_columns(entry_tag.c.tag_id) for rows in _entries_with(entry_tag)]


def person_links() -> list[Rows]:
    """(clip, person): named in the log of the clip or of a moment, the voice on a channel, or a speaker."""
    logged: list[Rows] = [rows.add_columns(entry_person.c.person_id) for rows in _entries_with(entry_person)]
    voices = select(ChannelMap.clip_id, ChannelMap.person_id).where(ChannelMap.person_id.is_not(None))
    speakers = select(ClipCue.clip_id, ClipCue.person_id).where(ClipCue.person_id.is_not(None)).distinct()
    return [*logged, voices, speakers]


def finding_links() -> list[Rows]:
    """(clip, code): of the clip or of one of its files, where nobody has dismissed it."""
    still_open = Finding.dismissed.is_(None)
    of_clips = select(Finding.clip_id, Finding.code).where(Finding.clip_id.is_not(None), still_open)
    of_files = select(ClipFile.clip_id, Finding.code).join(Finding, Finding.file_id == ClipFile.file_id)
    return [of_clips, of_files.where(still_open)]


def _entries_with(link: Any) -> list[Rows]:
    own = select(LogEntry.clip_id).join(link, link.c.entry_id == LogEntry.id)
    of_moment = select(Moment.clip_id).join(LogEntry, LogEntry.moment_id == Moment.id)
    return [own.where(LogEntry.clip_id.is_not(None)), of_moment.join(link, link.c.entry_id == LogEntry.id)]


# -- counts -----------------------------------------------------------------------------------------


def _named_counts(conditions: Sequence[Condition]) -> dict[str, Rows]:
    """Statements of (value, label, count), by field."""
    of_clip: dict[str, tuple[Any, Any, Any]] = {
        "day": (ShootingDay.number, ShootingDay.date, Clip.day_id == ShootingDay.id),
        "camera": (Camera.letter, Camera.name, Clip.camera_id == Camera.id),
        "lens": (Lens.name, Lens.name, Clip.lens_id == Lens.id),
        "reel": (Reel.name, Reel.name, Clip.reel_id == Reel.id),
    }
    counts: dict[str, Rows] = {}
    for field, (value, label, is_its) in of_clip.items():
        rows = select(value, label, func.count()).join(Clip, is_its).where(*conditions)
        counts[field] = rows.group_by(*dict.fromkeys((value, label))).order_by(value)
    counts["person"] = _linked(Person.name, Person.id, person_links(), conditions)
    counts["tag"] = _linked(Tag.name, Tag.id, tag_links(), conditions)
    # A code is no row: it is joined with itself.
    codes = union(*finding_links()).subquery()
    rows = select(codes.c.code, codes.c.code, func.count()).join(Clip, Clip.id == codes.c.clip_id)
    counts["finding"] = rows.where(*conditions).group_by(codes.c.code).order_by(codes.c.code)
    return counts


def _linked(
    name: InstrumentedAttribute[str],
    key: InstrumentedAttribute[int],
    links: Sequence[Rows],
    conditions: Sequence[Condition],
) -> Rows:
    """Each clip once a value: a union leaves out what is there twice."""
    linked = union(*links).subquery()
    rows = select(name, name, func.count()).join(linked, linked.c[1] == key)
    return rows.join(Clip, Clip.id == linked.c[0]).where(*conditions).group_by(name).order_by(name)


def _counts(session: Session, conditions: Sequence[Condition], column: Any) -> dict[Any, int]:
    rows = select(column, func.count()).select_from(Clip).where(*conditions).group_by(column)
    return dict(session.execute(rows).all())


def _count_terms(
    session: Session, conditions: Sequence[Condition], vocabulary: Vocabulary, field: str
) -> list[FacetValue]:
    column = getattr(LogEntry, field)
    rows = (
        select(column, func.count())
        .select_from(Clip)
        .join(LogEntry, LogEntry.clip_id == Clip.id)
        .where(*conditions, column.is_not(None))
        .group_by(column)
    )
    counts: dict[str, int] = dict(session.execute(rows).all())
    return [
        FacetValue(term.code, term.label, counts[term.code])
        for term in vocabulary.terms(field)
        if term.code in counts
    ]


def _count_presence(session: Session, conditions: Sequence[Condition]) -> list[FacetValue]:
    counted = []
    for what in PRESENCE_SHOWN:
        rows = select(func.count()).select_from(Clip).where(*conditions, has(what))
        if count := session.scalar(rows):
            counted.append(FacetValue(what, what, count))
    return counted
