"""Productions and their shooting days."""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from api.etags import content_tag
from api.schemas.base import Body, IsoDate, Shape, UsableText
from shared import models

_WALL_CLOCK = "([01][0-9]|2[0-3]):[0-5][0-9](:00)?"


def _only_text(value: object) -> object:
    """A number would be taken as seconds since midnight."""
    if isinstance(value, dt.time):
        return value
    if not isinstance(value, str) or not re.fullmatch(_WALL_CLOCK, value, re.ASCII):
        raise ValueError("must be a time of day to the minute, such as 04:00")
    return dt.time.fromisoformat(value)


# Not the format `time` of JSON Schema, which has a zone (RFC 3339).
WallClock = Annotated[
    dt.time,
    BeforeValidator(_only_text),
    WithJsonSchema({"type": "string", "pattern": f"^{_WALL_CLOCK}$", "examples": ["04:00"]}),
]


class Production(Shape):
    """One film or job."""

    id: int
    name: str
    slug: str = Field(description="Its folder at every destination; names it in `production=`.")
    rate: str = Field(description="Edit frame rate, exact.", examples=["25", "30000/1001"])
    drop_frame: bool
    zone: str = Field(description="IANA time zone.", examples=["Europe/Copenhagen"])
    day_starts: WallClock = Field(description="Wall clock hour before which it is still the day before.")
    language: str
    created_at: dt.datetime


class NewProduction(Body):
    name: UsableText = Field(min_length=1, max_length=200)
    rate: UsableText = Field(
        default="25", max_length=20, description="23.976, 25, 29.97 or an exact fraction."
    )
    drop_frame: bool = False
    zone: UsableText = Field(max_length=64, examples=["Europe/Copenhagen"])
    day_starts: WallClock = Field(default=dt.time(4), description="To the minute, without a zone.")
    language: UsableText = Field(default="en", min_length=2, max_length=16)


class Day(Shape):
    """A shooting day."""

    number: int
    date: dt.date
    goal: str
    clips: int = Field(description="How many clips were shot on it.")


class DayBody(Body):
    date: IsoDate
    goal: UsableText = Field(default="", max_length=20_000)


def production_shape(row: models.Production) -> Production:
    hours, minutes = divmod(row.day_starts_minutes, 60)
    return Production(
        id=row.id,
        name=row.name,
        slug=row.slug,
        rate=str(row.rate),
        drop_frame=row.drop_frame,
        zone=row.zone,
        day_starts=dt.time(hours, minutes),
        language=row.language,
        created_at=row.created_at,
    )


def day_shape(row: models.ShootingDay, clips: int) -> Day:
    return Day(number=row.number, date=row.date, goal=row.goal, clips=clips)


def day_tag(row: models.ShootingDay) -> str:
    """Of what a PUT sets; the count of clips is none of it."""
    return content_tag(row.id, row.date.isoformat(), row.goal)
