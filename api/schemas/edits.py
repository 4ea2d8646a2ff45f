"""Edits of the log: many clips at once, moments, and the journal of all of them."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

from pydantic import Field

from api.deps import LARGEST_ID
from api.schemas.base import Body, Shape, UsableText
from api.schemas.log import AddedNames, LogEntry, LogPatch, entry_shape
from shared import models
from shared.query import LONGEST_QUERY

LARGEST_FRAME = 2**53
ClipId = Annotated[int, Field(ge=1, le=LARGEST_ID)]


class ClipsMeant(Body):
    """Those that a query finds, or those that are named by id."""

    query: Annotated[UsableText, Field(max_length=LONGEST_QUERY)] | None = Field(
        default=None, description="Every clip that it finds."
    )
    clips: Annotated[list[ClipId], Field(min_length=1, max_length=10_000)] | None = Field(
        default=None, description="Ids, in place of a query."
    )
    expect: Annotated[int, Field(ge=0)] | None = Field(
        default=None, description="The number that a preview said; when it is another one, this is refused."
    )
    preview: bool = Field(default=False, description="Only count: nothing is changed.")


class EditBody(ClipsMeant):
    """The same edit on many clips. `set` gives them these values, `add` adds names to those they have."""

    set: LogPatch = LogPatch()
    add: AddedNames = AddedNames()


class AcceptBody(ClipsMeant):
    """Whose suggestions are taken over."""

    least: Annotated[float, Field(ge=0, le=1)] = Field(default=0.0, description="The least confidence.")
    only: Annotated[list[ClipId], Field(min_length=1, max_length=10_000)] | None = Field(
        default=None, description="Suggestions by id; others are left."
    )


class Accepted(Shape):
    """`count`: suggestions, of so many `clips`. `change`: the journal's entry; null: nothing changed."""

    count: int
    clips: int
    change: int | None = None


class FoundClip(Shape):
    id: int
    reel: str
    name: str


class EditResult(Shape):
    """`first`: the first of the clips it finds. `change`: the journal's entry; null: nothing changed."""

    count: int
    first: list[FoundClip]
    change: int | None = None


class OneChange(Shape):
    """`before` and `after` hold the fields that differ; null: the thing was not there."""

    kind: str
    id: int
    before: dict[str, Any] | None
    after: dict[str, Any] | None


class Edit(Shape):
    """One edit by one person, made and undone as a whole."""

    id: int
    production: int
    made_at: dt.datetime
    author: str
    summary: str
    undoes: int | None = Field(description="The edit that this one took back.")


class EditDetail(Edit):
    changes: list[OneChange]


class MomentBody(Body):
    """Frames count from the clip's first; `out` is exclusive."""

    in_frame: int = Field(alias="in", ge=0, le=LARGEST_FRAME)
    out_frame: int = Field(alias="out", ge=1, le=LARGEST_FRAME)
    name: Annotated[UsableText, Field(max_length=200)] = ""
    log: LogPatch = LogPatch()


class MomentPatch(Body):
    """What is not named stays."""

    in_frame: int | None = Field(default=None, alias="in", ge=0, le=LARGEST_FRAME)
    out_frame: int | None = Field(default=None, alias="out", ge=1, le=LARGEST_FRAME)
    name: Annotated[UsableText, Field(max_length=200)] | None = None
    log: LogPatch | None = None


class Moment(Shape):
    id: int
    clip: int
    in_frame: int = Field(alias="in")
    out_frame: int = Field(alias="out")
    name: str
    log: LogEntry


def edit_shape(row: models.ChangeSet) -> Edit:
    return Edit(
        id=row.id,
        production=row.production_id,
        made_at=row.made_at,
        author=row.author,
        summary=row.summary,
        undoes=row.undoes_id,
    )


def edit_detail(row: models.ChangeSet) -> EditDetail:
    changes = [
        OneChange(
            kind=one.kind,
            id=one.subject_id,
            before=_shown(one.kind, one.before),
            after=_shown(one.kind, one.after),
        )
        for one in row.changes
    ]
    return EditDetail(**edit_shape(row).model_dump(), changes=changes)


def _shown(kind: str, values: dict[str, Any] | None) -> dict[str, Any] | None:
    """Of a release only which fields there were: what they hold is personal, and read elsewhere."""
    if kind != "release" or values is None:
        return values
    return dict.fromkeys(values, "not shown here")


def moment_shape(moment: models.Moment, entry: models.LogEntry | None) -> Moment:
    return Moment(
        **{"in": moment.in_frame, "out": moment.out_frame},
        id=moment.id,
        clip=moment.clip_id,
        name=moment.name,
        log=entry_shape(entry),
    )
