"""Log entries: what people say of a clip."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Annotated

from pydantic import Field

from api.schemas.base import Body, Shape, UsableText
from shared import models
from shared.catalogue.assignments import AddNames, Change, SetNames, SetValue
from shared.query import LONGEST_QUERY
from shared.query_fields import TERM_FIELDS, TEXT_FIELDS
from shared.vocabulary import Vocabulary

# A term by its code, label or any alias. Null, or an empty text, takes the value away.
Word = Annotated[UsableText, Field(max_length=100)] | None
Prose = Annotated[UsableText, Field(max_length=20_000)] | None
TagName = Annotated[UsableText, Field(min_length=1, max_length=100)]
PersonName = Annotated[UsableText, Field(min_length=1, max_length=200)]


class LogEntry(Shape):
    """Codes are the vocabulary's. A clip nobody has logged has an empty entry of version 0."""

    version: int
    kind: str | None = None
    size: str | None = None
    angle: str | None = None
    movement: str | None = None
    support: str | None = None
    audio: str | None = None
    rating: str | None = None
    reason: str | None = None
    int_ext: str | None = None
    time_of_day: str | None = None
    direction: str | None = None
    sync: str | None = None
    sensitive: str | None = None
    subject: str = ""
    place: str = ""
    scene: str = ""
    language: str = ""
    note: str = ""
    tags: list[str] = Field(default_factory=list)
    people: list[str] = Field(default_factory=list)
    updated_at: dt.datetime | None = None
    updated_by: str = ""


class LogPatch(Shape):
    """A merge patch (RFC 7396): what is not named stays, null takes away, a list replaces the list."""

    kind: Word = None
    size: Word = None
    angle: Word = None
    movement: Word = None
    support: Word = None
    audio: Word = None
    rating: Word = None
    reason: Word = None
    int_ext: Word = None
    time_of_day: Word = None
    direction: Word = None
    sync: Word = None
    sensitive: Word = None
    subject: Prose = None
    place: Prose = None
    scene: Prose = None
    language: Annotated[UsableText, Field(max_length=64)] | None = None
    note: Prose = None
    tags: Annotated[list[TagName], Field(max_length=200)] | None = None
    people: Annotated[list[PersonName], Field(max_length=200)] | None = None
    camera: Annotated[UsableText, Field(max_length=8, description="Its letter.")] | None = None
    lens: Annotated[
        UsableText | None,
        Field(
            max_length=200,
            description="A lens of the kit list by name. Null leaves what the file or the kit list says.",
        ),
    ] = None
    day: Annotated[
        int | None,
        Field(
            ge=1,
            le=100_000,
            description="The shooting day by its number, whatever the clock says; it stays when clocks are "
            "corrected. Null gives the clip back to the day of its own time.",
        ),
    ] = None


class AddedNames(Shape):
    """Tags and people beside those that are there; new ones are made."""

    tags: Annotated[list[TagName], Field(max_length=200)] = Field(default_factory=list)
    people: Annotated[list[PersonName], Field(max_length=200)] = Field(default_factory=list)


class NewSearch(Body):
    name: Annotated[UsableText, Field(min_length=1, max_length=100)]
    query: Annotated[UsableText, Field(max_length=LONGEST_QUERY)]


class Search(Shape):
    """A query that somebody keeps under a name."""

    id: int
    name: str
    query: str
    created_at: dt.datetime


def search_shape(row: models.SavedSearch) -> Search:
    return Search(id=row.id, name=row.name, query=row.query, created_at=row.created_at)


def entry_shape(row: models.LogEntry | None) -> LogEntry:
    if row is None:
        return LogEntry(version=0)
    values = {name: getattr(row, name) for name in (*TERM_FIELDS, *TEXT_FIELDS)}
    return LogEntry(
        version=row.version,
        **values,
        tags=[tag.name for tag in row.tags],
        people=[person.name for person in row.people],
        updated_at=row.updated_at,
        updated_by=row.updated_by,
    )


def changes_of(patch: LogPatch, vocabulary: Vocabulary) -> Sequence[Change]:
    """The patch as the catalogue's changes. Raises UsageError for a term the vocabulary does not have."""
    changes: list[Change] = []
    for name in (*TERM_FIELDS, *TEXT_FIELDS):
        if name not in patch.model_fields_set:
            continue
        text = (getattr(patch, name) or "").strip()
        if text and name in TERM_FIELDS:
            text = vocabulary.resolve(name, text).code
        changes.append(SetValue(name, text or None))
    for name in ("camera", "lens"):
        if name in patch.model_fields_set:
            changes.append(SetValue(name, (getattr(patch, name) or "").strip() or None))
    if "day" in patch.model_fields_set:
        changes.append(SetValue("day", None if patch.day is None else str(patch.day)))
    if "tags" in patch.model_fields_set:
        changes.append(SetNames("tag", _names(patch.tags or ())))
    if "people" in patch.model_fields_set:
        changes.append(SetNames("person", _names(patch.people or ())))
    return changes


def added_of(names: AddedNames) -> Sequence[Change]:
    both = (AddNames("tag", _names(names.tags)), AddNames("person", _names(names.people)))
    return [one for one in both if one.names]


def _names(given: Iterable[str]) -> tuple[str, ...]:
    """As `rushlight log` takes them: blanks between words count as one, each name once, none empty."""
    return tuple(dict.fromkeys(name for one in given if (name := " ".join(one.split()))))
