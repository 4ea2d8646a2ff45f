"""What all shapes share: nothing unknown is taken, no text holds what a database can't keep."""

from __future__ import annotations

import os
from typing import Annotated, Any, Generic, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from shared.names import display
from shared.words import find_unusable

Item = TypeVar("Item")


class Shape(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Listing(Shape, Generic[Item]):
    """A list, or one page of it."""

    items: list[Item]
    next: str | None = Field(default=None, description="Address of the next page; null: this is the last.")


def _refuse_unusable(text: str) -> str:
    if find_unusable(text) is not None:
        raise ValueError("holds a control character or half a character")
    return text


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
