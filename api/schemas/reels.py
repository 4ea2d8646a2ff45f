"""Reels, how their copies stand, and offloads."""

from __future__ import annotations

import datetime as dt
from typing import Any

from pydantic import Field

from api.reads.copies import ReelCopies
from api.schemas.base import Shape, shown, shown_json
from shared import models
from shared.catalogue.kept_reports import unpacked
from shared.models import OffloadState


class DestinationCopies(Shape):
    """One reel at one destination, in files."""

    destination: str = Field(description="Its name, or its folder where it has none.")
    verified: int = Field(description="Re-read from the medium and equal to what was read from the card.")
    written: int = Field(description="There, and nothing is proven.")
    differs: int = Field(description="Re-read, and not equal.")
    missing: int = Field(description="Should be there and is not.")


class Reel(Shape):
    """One fill of one card."""

    id: int
    name: str
    camera: str | None
    day: int | None
    card: str | None = Field(description="The card's label.")
    folder: str = Field(description="Below every destination.")
    algorithm: str
    files: int
    bytes: int
    unreadable: int = Field(description="Files that could not be read from the card.")
    unread: int = Field(description="Files that an offload found on the card and has not read yet.")
    copies: list[DestinationCopies]
    created_at: dt.datetime


class OffloadSummary(Shape):
    """One run that copies a reel to its destinations."""

    id: int
    reel: str
    production: str
    source: str
    state: OffloadState
    started_at: dt.datetime
    ended_at: dt.datetime | None
    bytes_read: int
    bytes_written: int


class Offload(OffloadSummary):
    report: dict[str, Any] = Field(
        description="What `rushlight offload --json` printed: reel, files, destinations, problems, verdict; "
        "empty while it runs and after a kill, `turned_away` alone where another run was at work. "
        "The verdict is of that moment; only a new one can say whether the card may be formatted now."
    )


def reel_shape(row: models.Reel, copies: ReelCopies) -> Reel:
    return Reel(
        id=row.id,
        name=row.name,
        camera=row.camera.letter if row.camera is not None else None,
        day=row.day.number if row.day is not None else None,
        card=row.card.label if row.card is not None else None,
        folder=row.folder,
        algorithm=row.algorithm,
        files=copies.files,
        bytes=copies.bytes,
        unreadable=copies.unreadable,
        unread=copies.unread,
        copies=_destinations(copies),
        created_at=row.created_at,
    )


def _destinations(copies: ReelCopies) -> list[DestinationCopies]:
    return [
        DestinationCopies(
            destination=shown(one.destination),
            verified=one.verified,
            written=one.written,
            differs=one.differs,
            missing=one.missing,
        )
        for one in copies.at
    ]


def offload_summary(row: models.Offload) -> OffloadSummary:
    return OffloadSummary(**_offload_values(row))


def offload_shape(row: models.Offload) -> Offload:
    return Offload(**_offload_values(row), report=shown_json(unpacked(row.report)))


def _offload_values(row: models.Offload) -> dict[str, Any]:
    return {
        "id": row.id,
        "reel": row.reel.name,
        "production": row.reel.production.slug,
        "source": shown(row.source),
        "state": row.state,
        "started_at": row.started_at,
        "ended_at": row.ended_at,
        "bytes_read": row.bytes_read,
        "bytes_written": row.bytes_written,
    }
