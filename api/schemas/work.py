"""Requests to the worker, and what they may name."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from api.schemas.base import Body, Shape, UsableText, shown, shown_json
from shared import models
from shared.card_folders import CardFolder as FoundFolder
from shared.card_folders import card_folder_id
from shared.catalogue.kept_reports import unpacked
from shared.models import RequestKind, RequestState

Name = Annotated[UsableText, Field(min_length=1, max_length=200)]


class CardFolder(Shape):
    """A folder directly below a watch folder, which may be a card."""

    id: str
    name: str


class Destination(Shape):
    name: str = Field(description="As it stands under [destinations] in config.toml.")


class OffloadOrder(Body):
    """What `rushlight offload` takes, with ids and names in place of paths."""

    card: Name = Field(description="Id of a card folder.", examples=["3f9a0c1d2b4e5f60"])
    to: list[Name] = Field(
        min_length=1, max_length=16, description="Names of destinations.", examples=[["North", "South"]]
    )
    camera: Annotated[UsableText, Field(min_length=1, max_length=8)] | None = None
    reel: Annotated[UsableText, Field(min_length=1, max_length=32)] | None = None
    day: Annotated[int, Field(ge=1, le=999_999)] | None = None
    production: Name | None = Field(default=None, description="Without it: the latest.")


class HandoverOrder(Body):
    query: UsableText = Field(default="", max_length=4000, description="Which clips; empty: all of them.")
    production: Name | None = Field(default=None, description="Without it: the latest.")
    leave_out: list[Literal["contacts", "places", "minors"]] = Field(
        default=[],
        max_length=3,
        description="What the words are handed over without: ways to reach people, places, minors' names.",
    )


class DemoOrder(Body):
    action: Literal["load", "remove"]


class Request(Shape):
    """Something a worker carries out. It is done by somebody else: look again until it is done or failed."""

    id: int
    kind: RequestKind
    state: RequestState
    order: dict[str, Any] = Field(description="What was asked.")
    progress: dict[str, Any] = Field(description="How far it is, while it runs.")
    result: dict[str, Any] = Field(
        description="Once done. Of an offload its report; of a hand-over, `folder` names its folder."
    )
    error: str | None = Field(description="Why it failed, and what to do.")
    created_at: dt.datetime
    heartbeat_at: dt.datetime | None = Field(description="When its worker was last heard of.")
    ended_at: dt.datetime | None


def card_folder_shape(folder: FoundFolder) -> CardFolder:
    return CardFolder(id=folder.id, name=folder.name)


def request_shape(row: models.Request) -> Request:
    return Request(
        id=row.id,
        kind=row.kind,
        state=row.state,
        order=shown_order(row),
        progress=shown_json(row.progress),
        result=shown_json(unpacked(row.result)),
        error=shown(row.error) if row.error is not None else None,
        created_at=row.created_at,
        heartbeat_at=row.heartbeat_at,
        ended_at=row.ended_at,
    )


def shown_order(row: models.Request) -> dict[str, Any]:
    """The order as it was given: the card by its id, with its name, and not by its path."""
    order = dict(row.order)
    card = order.get("card")
    if row.kind is RequestKind.OFFLOAD and isinstance(card, str) and Path(card).is_absolute():
        order |= {"card": card_folder_id(Path(card)), "card_name": Path(card).name}
    shown_order = shown_json(order)
    assert isinstance(shown_order, dict)
    return shown_order
