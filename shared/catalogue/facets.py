"""How many of the clips a query finds have each value of each field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, distinct, func, or_, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from shared.catalogue.conditions import build_conditions, has
from shared.catalogue.ranges import Condition
from shared.models import (
    Camera,
    Clip,
    ClipFile,
    ClipMedia,
    Finding,
    Lens,
    LogEntry,
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

_PRESENCE = ("log", "finding", "still")


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


def _named_counts(conditions: Sequence[Condition]) -> dict[str, Rows]:
    """Statements of (value, label, count), by field."""
    day = select(ShootingDay.number, ShootingDay.date, func.count()).join(Clip, Clip.day_id == ShootingDay.id)
    camera = select(Camera.letter, Camera.name, func.count()).join(Clip, Clip.camera_id == Camera.id)
    lens = select(Lens.name, Lens.name, func.count()).join(Clip, Clip.lens_id == Lens.id)
    reel = select(Reel.name, Reel.name, func.count()).join(Clip, Clip.reel_id == Reel.id)
    person = (
        select(Person.name, Person.name, func.count())
        .join(entry_person, entry_person.c.person_id == Person.id)
        .join(LogEntry, LogEntry.id == entry_person.c.entry_id)
        .join(Clip, Clip.id == LogEntry.clip_id)
    )
    tag = (
        select(Tag.name, Tag.name, func.count())
        .join(entry_tag, entry_tag.c.tag_id == Tag.id)
        .join(LogEntry, LogEntry.id == entry_tag.c.entry_id)
        .join(Clip, Clip.id == LogEntry.clip_id)
    )
    # A finding may belong to the clip or to one of its files; a clip counts once for each code.
    finding = (
        select(Finding.code, Finding.code, func.count(distinct(Clip.id)))
        .outerjoin(ClipFile, ClipFile.file_id == Finding.file_id)
        .join(Clip, or_(Clip.id == Finding.clip_id, Clip.id == ClipFile.clip_id))
        .where(Finding.dismissed.is_(None))
    )
    grouped: dict[str, tuple[Rows, Sequence[InstrumentedAttribute[Any]]]] = {
        "day": (day, (ShootingDay.number, ShootingDay.date)),
        "camera": (camera, (Camera.letter, Camera.name)),
        "lens": (lens, (Lens.name,)),
        "reel": (reel, (Reel.name,)),
        "person": (person, (Person.name,)),
        "tag": (tag, (Tag.name,)),
        "finding": (finding, (Finding.code,)),
    }
    return {
        field: rows.where(*conditions).group_by(*columns).order_by(columns[0])
        for field, (rows, columns) in grouped.items()
    }


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
    for what in _PRESENCE:
        rows = select(func.count()).select_from(Clip).where(*conditions, has(what))
        if count := session.scalar(rows):
            counted.append(FacetValue(what, what, count))
    return counted
