"""The declarative base, the column types of our own, and the naming convention.

Every time stands in UTC; every frame count is an integer with its exact rate beside it.
No floating-point column holds a time, a rate or a position.
"""

from __future__ import annotations

import datetime as dt
import enum
from typing import Any, ClassVar

from sqlalchemy import JSON, BigInteger, DateTime, Dialect, Enum, MetaData, TypeDecorator
from sqlalchemy.orm import DeclarativeBase

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


def now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)
