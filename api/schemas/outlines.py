"""Outlines: the paper edit with its running time, its notices, its shape and its versions."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

from pydantic import Field

from api.schemas.base import Body, Shape, UsableText
from api.schemas.edits import LARGEST_FRAME
from api.schemas.plan import LARGEST_ID, MOST_SECONDS, Code, Short
from shared import models
from shared.models import ItemKind

Id = Annotated[int, Field(ge=1, le=LARGEST_ID)]
FrameNumber = Annotated[int, Field(ge=0, le=LARGEST_FRAME)]
Name = Annotated[UsableText, Field(min_length=1, max_length=200)]
Target = Annotated[int, Field(ge=1, le=MOST_SECONDS)]
Seconds = Annotated[float, Field(gt=0, lt=MOST_SECONDS)]
Place = Annotated[int, Field(ge=1, le=100_000)]
_STANDS = "Of a photograph: how long it stands; without it as the threshold `still-seconds` says."


class OutlineBody(Body):
    name: Name
    target_seconds: Target | None = None


class OutlinePatch(Body):
    """A merge patch (RFC 7396): what is not named stays, null takes away."""

    name: Name | None = None
    target_seconds: Target | None = None


class OutlineHead(Shape):
    id: int
    production: int
    name: str
    target_seconds: int | None


class RangeBody(Body):
    """A range of a clip in its own frames, the end exclusive; without them the whole clip. A photograph
    stands for `seconds`; its in and out, as they are read, are 0 and the milliseconds of that."""

    clip: Id
    in_frame: FrameNumber | None = Field(default=None, alias="in")
    out_frame: FrameNumber | None = Field(default=None, alias="out")
    seconds: Seconds | None = Field(default=None, description=_STANDS)
    speaker: Short = ""


class CoverBody(RangeBody):
    """A range that lies over the item's picture."""

    at: FrameNumber = Field(default=0, description="Edit frames from the item's start.")


class CoverAdded(Body):
    """Cover for an item: a range of a clip, a photograph, or a moment."""

    clip: Id | None = None
    in_frame: FrameNumber | None = Field(default=None, alias="in")
    out_frame: FrameNumber | None = Field(default=None, alias="out")
    seconds: Seconds | None = Field(default=None, description=_STANDS)
    moment: Id | None = None
    at: FrameNumber = Field(default=0, description="Edit frames from the item's start.")


Ranges = Annotated[list[RangeBody], Field(max_length=100)]
Covers = Annotated[list[CoverBody], Field(max_length=100)]


class ItemBody(Body):
    """A new item. A quote or a scene takes its ranges from `parts`, from `cues` or from a `moment`."""

    kind: Annotated[ItemKind, Field(strict=False)]
    place: Place | None = Field(default=None, description="From 1; without it at the end.")
    name: Short = ""
    mood: Short = ""
    note: Short = ""
    seconds: Seconds | None = Field(default=None, description="Of a title, or of music without a clip.")
    line: Code | None = Field(default=None, description="Code of the narration line.")
    parts: Ranges = Field(default_factory=list)
    cues: Annotated[list[Id], Field(max_length=1000)] = Field(
        default_factory=list, description="Cues of one clip; those that follow one another become a part."
    )
    moment: Id | None = None


class ItemPatch(Body):
    """A merge patch (RFC 7396): what is not named stays. `place` moves the item, and no other one."""

    place: Place | None = None
    name: Short | None = None
    mood: Short | None = None
    note: Short | None = None
    seconds: Seconds | None = None
    parts: Ranges | None = None
    covers: Covers | None = None


class OutlinePart(Shape):
    """`words`: as they were when it was chosen; `words_now`: what the transcript says there today, null:
    nothing. `start`, `frames`: in running time, frames of the edit rate."""

    clip: int
    name: str
    in_frame: int = Field(alias="in")
    out_frame: int = Field(alias="out", description="Exclusive; of a photograph its milliseconds.")
    speaker: str
    words: str
    words_now: str | None
    start: int
    frames: int


class OutlineCover(Shape):
    clip: int
    name: str
    in_frame: int = Field(alias="in")
    out_frame: int = Field(alias="out", description="Exclusive; of a photograph its milliseconds.")
    at: int = Field(description="Edit frames from the item's start.")


class OutlineItem(Shape):
    """`length_is`: recorded, estimated or set. `notices`: what needs a look. Frames of the edit rate."""

    id: int
    number: int
    kind: ItemKind
    name: str
    words: str
    mood: str
    note: str
    line: str | None
    start: int
    frames: int
    starts_at: str
    length: str
    length_is: str
    speakers: list[str]
    stitched: bool
    checked_by: str
    parts: list[OutlinePart]
    covers: list[OutlineCover]
    notices: list[str]


class RunningTime(Shape):
    """Frames of the edit rate; `seconds` is a label, not for reckoning."""

    frames: int
    label: str
    seconds: float
    target_frames: int | None
    recorded_frames: int
    estimated_frames: int
    set_frames: int


class OutlineNotice(Shape):
    """`number`: the item's place, 0: the whole outline."""

    code: str
    number: int
    item: int | None
    text: str


class JumpCuts(Shape):
    """`joins`: edit frames of bare joins. `cutaways`: pieces not used yet that could cover one."""

    joins: list[int]
    cutaways: int
    cutaway_seconds: float


class Outline(Shape):
    id: int
    name: str
    target_seconds: int | None
    rate: str
    drop_frame: bool
    running_time: RunningTime
    items: list[OutlineItem]
    notices: list[OutlineNotice]
    jump_cuts: JumpCuts
    caution: str


class ShapeStretch(Shape):
    start: int
    frames: int
    value: str


class ShapeLevel(Shape):
    """dB re full scale, the loudest; null: not measured, or no clip's sound."""

    start: int
    frames: int
    db: float | None


class ShapeSameness(Shape):
    """`what`: kind, speaker, cut, pace, music or level. Thresholds are the plan's."""

    what: str
    start: int
    frames: int
    text: str


class OutlineShape(Shape):
    """Over running time, in frames of the edit rate. `cuts`: pictures from cut to cut."""

    frames: int
    kinds: list[ShapeStretch]
    cuts: list[ShapeStretch]
    speakers: list[ShapeStretch]
    music: list[ShapeStretch]
    levels: list[ShapeLevel]
    sameness: list[ShapeSameness]
    practice: str


class VersionBody(Body):
    name: Name


class OutlineVersion(Shape):
    id: int
    outline: int
    name: str
    items: int
    made_at: dt.datetime
    made_by: str


class OutlineChange(Shape):
    """`what`: added, removed, moved, trimmed or changed. Places from 1. `frames`: how much longer."""

    what: str
    item: int
    words: str
    before: int | None
    after: int | None
    frames: int


class OutlineComparison(Shape):
    """`frames`, `seconds`: how much longer the later one runs."""

    changes: list[OutlineChange]
    frames: int
    seconds: float


def head_shape(row: models.Outline) -> OutlineHead:
    return OutlineHead(
        id=row.id, production=row.production_id, name=row.name, target_seconds=row.target_seconds
    )


def outline_shape(values: dict[str, Any], caution: str) -> Outline:
    """From `shared.outline.tell.outline_json`."""
    return Outline.model_validate(values | {"caution": caution})


def version_shape(row: models.OutlineVersion) -> OutlineVersion:
    return OutlineVersion(
        id=row.id,
        outline=row.outline_id,
        name=row.name,
        items=len(row.content["items"]),
        made_at=row.made_at,
        made_by=row.made_by,
    )
