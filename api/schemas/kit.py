"""Cameras, lenses and cards."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from pydantic import Field

from api.schemas.base import Shape, UsableText
from shared import models
from shared.models import CameraKind, ZoneRule


class Camera(Shape):
    """A body, a drone or a sound recorder: whatever fills reels under one letter."""

    letter: str
    name: str
    kind: CameraKind
    zone_rule: ZoneRule = Field(description="How its clock is to be read.")
    clock_correction_ms: int = Field(description="True time minus shown time.")
    default_lens: str | None


class NewCamera(Shape):
    letter: Annotated[UsableText, Field(min_length=1, max_length=4, description="A, B, C … It names reels.")]
    name: Annotated[UsableText, Field(max_length=200)] = ""
    kind: CameraKind = CameraKind.CAMERA
    zone_rule: ZoneRule = Field(default=ZoneRule.UNKNOWN, description="How its clock is to be read.")


class NewLens(Shape):
    name: Annotated[UsableText, Field(min_length=1, max_length=200)]
    focal: Annotated[UsableText, Field(max_length=20)] = Field(
        default="", description="35 or 24-70, in millimetres."
    )
    aperture: Annotated[UsableText, Field(max_length=16)] = Field(
        default="", description="Widest, as engraved: f/1.8."
    )


class Lens(Shape):
    id: int
    name: str
    focal_min_mm: int | None
    focal_max_mm: int | None
    max_aperture: str


class Card(Shape):
    """The physical medium."""

    id: int
    label: str | None = Field(description="What is written on it.")
    volume_serial: str | None = Field(description="Changes at every format.")
    volume_name: str | None
    filesystem: str | None
    capacity_bytes: int | None
    created_at: dt.datetime


def camera_shape(row: models.Camera) -> Camera:
    return Camera(
        letter=row.letter,
        name=row.name,
        kind=row.kind,
        zone_rule=row.zone_rule,
        clock_correction_ms=row.clock_correction_ms,
        default_lens=row.default_lens.name if row.default_lens is not None else None,
    )


def lens_shape(row: models.Lens) -> Lens:
    return Lens(
        id=row.id,
        name=row.name,
        focal_min_mm=row.focal_min_mm,
        focal_max_mm=row.focal_max_mm,
        max_aperture=row.max_aperture,
    )


def card_shape(row: models.Card) -> Card:
    return Card(
        id=row.id,
        label=row.label,
        volume_serial=row.volume_serial,
        volume_name=row.volume_name,
        filesystem=row.filesystem,
        capacity_bytes=row.capacity_bytes,
        created_at=row.created_at,
    )
