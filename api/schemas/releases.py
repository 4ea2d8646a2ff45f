"""Releases. Personal data: reading them needs a token that may edit the log."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from pydantic import Field

from api.schemas.base import Body, IsoDate, Shape, UsableText
from shared import models
from shared.catalogue.release_standing import CAUTION, standing_of, subject_of
from shared.models import ReleaseKind

Short = Annotated[UsableText, Field(max_length=2000)]
Name = Annotated[UsableText, Field(min_length=1, max_length=200)]
ClipIds = Annotated[list[Annotated[int, Field(ge=1, le=2**63 - 1)]], Field(max_length=5000)]


class ReleaseBody(Body):
    """One permission. The paper is added on the machine itself: `rushlight release NUMBER --file`."""

    kind: Annotated[ReleaseKind, Field(strict=False)] = ReleaseKind.PERSON
    who: Name = Field(description="A person as in the log; or the name of a group, a place or a work.")
    guardian: Short = ""
    signed: IsoDate | None = None
    media: Short = ""
    territory: Short = ""
    until: IsoDate | None = Field(default=None, description="Last day; null: the form sets no end.")
    cut_downs: bool | None = None
    no_name: bool = False
    hide_face: bool = False
    restrictions: Short = ""
    withdrawn: IsoDate | None = None
    form: Short = ""
    language: Annotated[UsableText, Field(max_length=64)] = ""
    note: Short = ""
    clips: ClipIds = Field(
        default_factory=list, description="Clips that show it, beside those the log names."
    )


class ReleasePatch(Body):
    """A merge patch (RFC 7396): what is not named stays, null takes away."""

    who: Name | None = None
    guardian: Short | None = None
    signed: IsoDate | None = None
    media: Short | None = None
    territory: Short | None = None
    until: IsoDate | None = None
    cut_downs: bool | None = None
    no_name: bool | None = None
    hide_face: bool | None = None
    restrictions: Short | None = None
    withdrawn: IsoDate | None = None
    form: Short | None = None
    language: Annotated[UsableText, Field(max_length=64)] | None = None
    note: Short | None = None
    clips: ClipIds | None = None


class Release(Shape):
    """`standing`: cleared, unsigned, expired, withdrawn, or no guardian, today. `file_hash`: of the paper."""

    id: int
    production: int
    kind: ReleaseKind
    who: str
    standing: str
    guardian: str
    signed: dt.date | None
    media: str
    territory: str
    until: dt.date | None
    cut_downs: bool | None
    no_name: bool
    hide_face: bool
    restrictions: str
    withdrawn: dt.date | None
    form: str
    language: str
    note: str
    clips: list[int]
    file_hash: str
    file_bytes: int | None
    caution: str = CAUTION


def release_shape(row: models.Release, today: dt.date) -> Release:
    same = ("id", "kind", "guardian", "media", "territory", "until", "cut_downs", "no_name", "hide_face")
    more = ("restrictions", "form", "language", "note", "file_hash", "file_bytes")
    return Release(
        **{name: getattr(row, name) for name in (*same, *more)},
        production=row.production_id,
        who=subject_of(row),
        standing=standing_of(row, today).value,
        signed=row.signed_on,
        withdrawn=row.withdrawn_on,
        clips=[clip.id for clip in row.clips],
    )
