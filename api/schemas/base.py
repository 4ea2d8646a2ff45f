"""What all shapes share: nothing unknown is taken, no text holds what a database can't keep."""

from __future__ import annotations

import datetime as dt
import os
import re
from typing import Annotated, Any, Generic, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from shared.names import display
from shared.words import find_unusable

Item = TypeVar("Item")


class Shape(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Body(Shape):
    """What a caller sends: nothing is taken for something else, no 0 for false and no true for 1."""

    model_config = ConfigDict(strict=True)


class Listing(Shape, Generic[Item]):
    """A list, or one page of it."""

    items: list[Item]
    next: str | None = Field(default=None, description="Address of the next page; null: this is the last.")


def _refuse_unusable(text: str) -> str:
    if find_unusable(text) is not None:
        raise ValueError("holds a control character or half a character")
    return text


def _only_iso_date(value: object) -> object:
    """A number would be taken as seconds since 1970."""
    if isinstance(value, dt.date):
        return value
    if not isinstance(value, str) or not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value, re.ASCII):
        raise ValueError("must be text such as 2026-05-12")
    return dt.date.fromisoformat(value)


IsoDate = Annotated[dt.date, BeforeValidator(_only_iso_date)]
UsableText = Annotated[str, AfterValidator(_refuse_unusable)]


def shown(text: str) -> str:
    """A path or a name as JSON can carry it: what is no UTF-8 stands as an escape."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return display(os.fsencode(text))
    return text


def shown_json(value: Any) -> Any:
    """The same for a whole JSON value that a worker wrote."""
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, dict):
        return {shown(str(name)): shown_json(one) for name, one in value.items()}
    if isinstance(value, list):
        return [shown_json(one) for one in value]
    return value
