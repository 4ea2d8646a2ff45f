"""The declarative base, the column types of our own, and the naming convention.

Every time stands in UTC; every frame count is an integer with its exact rate beside it.
No floating-point column holds a time, a rate or a position.
"""

from __future__ import annotations

import datetime as dt
import enum
import functools
from typing import Any, ClassVar

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Dialect,
    Enum,
    MetaData,
    String,
    TypeDecorator,
    event,
    inspect,
)
from sqlalchemy.orm import DeclarativeBase, Session

from shared.errors import UsageError

# Named constraints, so that SQLite's batch migrations can drop what they did not name themselves.
NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class UtcDateTime(TypeDecorator[dt.datetime]):
    """An aware datetime, stored as naive UTC and read back aware. Naive input is refused."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a datetime without a zone: {value!r}")
        return value.astimezone(dt.UTC).replace(tzinfo=None)

    def process_result_value(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        return None if value is None else value.replace(tzinfo=dt.UTC)


def _values(kind: type[enum.Enum]) -> list[str]:
    return [str(member.value) for member in kind]


def text_enum(kind: type[enum.StrEnum]) -> Enum:
    """Store the member's value as plain text: readable in the file, the same on every database."""
    return Enum(kind, values_callable=_values, native_enum=False, length=32, create_constraint=False)


class Base(DeclarativeBase):
    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        dt.datetime: UtcDateTime(),
        dict[str, Any]: JSON(),
        list[Any]: JSON(),
        int: BigInteger(),
    }


@functools.cache
def _limits(model: type[Base]) -> tuple[tuple[str, int], ...]:
    """The attributes of a model that have a longest length, with it."""
    types = ((one.key, one.columns[0].type) for one in inspect(model).column_attrs)
    texts = (
        (key, kind.length) for key, kind in types if isinstance(kind, String) and not isinstance(kind, Enum)
    )
    return tuple((key, length) for key, length in texts if length is not None)


@event.listens_for(Session, "before_flush")
def _refuse_long_text(session: Session, _context: object, _rows: object) -> None:
    """PostgreSQL refuses a text longer than its column, SQLite keeps it: here both refuse, in words."""
    for row in (*session.new, *session.dirty):
        if not isinstance(row, Base):
            continue
        for name, most in _limits(type(row)):
            value = row.__dict__.get(name)  # what is not there has not changed
            if isinstance(value, str) and len(value) > most:
                raise UsageError(
                    f"{name.replace('_', ' ')} of {row.__tablename__.replace('_', ' ')}: "
                    f"{len(value)} characters are too many: {value[:40]}…",
                    remedy=f"Write at most {most}.",
                )


def now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)
