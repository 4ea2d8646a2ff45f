"""Tags, people and lenses of a production."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from api.etags import content_tag
from api.schemas.base import Body, Shape, UsableText
from shared import models

Millimetres = Annotated[int, Field(ge=1, le=9999)] | None


class Tag(Shape):
    id: int
    name: str
    clips: int = Field(description="How many clips have it, themselves or in a moment.")


class Person(Tag):
    role: str = Field(description="What they are in the film, for a caption.")


class TagPatch(Body):
    name: Annotated[UsableText, Field(min_length=1, max_length=100)]


class PersonPatch(Body):
    """What is not named stays."""

    name: Annotated[UsableText, Field(min_length=1, max_length=200)] | None = None
    role: Annotated[UsableText, Field(max_length=200)] | None = None


class LensPatch(Body):
    """What is not named stays; a focal length in whole millimetres, of a prime twice the same."""

    name: Annotated[UsableText, Field(min_length=1, max_length=200)] | None = None
    focal_min_mm: Millimetres = None
    focal_max_mm: Millimetres = None
    max_aperture: Annotated[UsableText, Field(max_length=16)] | None = None


def tag_shape(row: models.Tag, clips: int) -> Tag:
    return Tag(id=row.id, name=row.name, clips=clips)


def person_shape(row: models.Person, clips: int) -> Person:
    return Person(id=row.id, name=row.name, role=row.role, clips=clips)


def row_tag(row: Any) -> str:
    """Of everything that a person edits of it."""
    columns = sorted(column.key for column in row.__table__.columns)
    return content_tag(*(getattr(row, name) for name in columns))


def given(body: Body) -> dict[str, Any]:
    """What was named, and not null where null says nothing."""
    values = {name: getattr(body, name) for name in body.model_fields_set}
    return {name: value for name, value in values.items() if value is not None or name.startswith("focal")}
