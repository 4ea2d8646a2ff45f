"""What was offloaded: cards, reels, files and their copies."""

from __future__ import annotations

import datetime as dt
import enum
from typing import Any

from sqlalchemy import ForeignKey, Index, LargeBinary, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now, text_enum
from shared.models.columns import PrimaryKey
from shared.models.production import Camera, Production, ShootingDay


class CopyState(enum.StrEnum):
    WRITTEN = "written"  # bytes are there, nothing is proven
    VERIFIED = "verified"  # re-read from the medium and equal to what was read from the card
    DIFFERS = "differs"  # re-read and not equal
    MISSING = "missing"  # should be there and is not


class OffloadState(enum.StrEnum):
    RUNNING = "running"
    DONE = "done"
    PARTIAL = "partial"  # some file or destination failed; each is named in `problems`
    FAILED = "failed"


class Card(Base):
    """The physical medium, with the label written on it. It outlives its formats and fills."""

    __tablename__ = "card"

    id: Mapped[PrimaryKey]
    label: Mapped[str | None] = mapped_column(String(100), unique=True)
    volume_serial: Mapped[str | None] = mapped_column(String(64), index=True)  # changes at a format
    volume_name: Mapped[str | None] = mapped_column(String(255))
    filesystem: Mapped[str | None] = mapped_column(String(32))
    capacity_bytes: Mapped[int | None]
    created_at: Mapped[dt.datetime] = mapped_column(default=now)


class Reel(Base):
    """One fill of one card. Its name is never used again in a production."""

    __tablename__ = "reel"
    __table_args__ = (UniqueConstraint("production_id", "name"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    card_id: Mapped[int | None] = mapped_column(ForeignKey("card.id"))
    camera_id: Mapped[int | None] = mapped_column(ForeignKey("camera.id"))
    day_id: Mapped[int | None] = mapped_column(ForeignKey("shooting_day.id"))
    name: Mapped[str] = mapped_column(String(32))
    algorithm: Mapped[str] = mapped_column(String(16))  # one for the whole reel, see `file.digest`
    folder: Mapped[str] = mapped_column(Text)  # below every destination, "/" between parts
    created_at: Mapped[dt.datetime] = mapped_column(default=now)

    production: Mapped[Production] = relationship()
    camera: Mapped[Camera | None] = relationship()
    day: Mapped[ShootingDay | None] = relationship()
    card: Mapped[Card | None] = relationship()


class Destination(Base):
    """A folder on a drive that receives copies."""

    __tablename__ = "destination"

    id: Mapped[PrimaryKey]
    path: Mapped[str] = mapped_column(Text, unique=True)  # absolute
    name: Mapped[str] = mapped_column(String(200), default="")
    created_at: Mapped[dt.datetime] = mapped_column(default=now)


class Offload(Base):
    """One run that copies a reel to its destinations."""

    __tablename__ = "offload"

    id: Mapped[PrimaryKey]
    reel_id: Mapped[int] = mapped_column(ForeignKey("reel.id"), index=True)
    source: Mapped[str] = mapped_column(Text)
    state: Mapped[OffloadState] = mapped_column(text_enum(OffloadState))
    started_at: Mapped[dt.datetime] = mapped_column(default=now)
    ended_at: Mapped[dt.datetime | None]
    bytes_read: Mapped[int] = mapped_column(default=0)
    bytes_written: Mapped[int] = mapped_column(default=0)
    report: Mapped[dict[str, Any]] = mapped_column(
        default=dict
    )  # the `--json` result, see catalogue/kept_reports.py

    reel: Mapped[Reel] = relationship()


class File(Base):
    """One file of a reel, as it stood on the card."""

    __tablename__ = "file"
    __table_args__ = (
        UniqueConstraint("reel_id", "path_bytes"),
        Index("ix_file_digest", "digest"),
    )

    id: Mapped[PrimaryKey]
    reel_id: Mapped[int] = mapped_column(ForeignKey("reel.id"))
    path: Mapped[str] = mapped_column(Text)  # relative to the card, for people; see shared/names.py
    path_bytes: Mapped[bytes] = mapped_column(LargeBinary)  # exactly as the card has it
    size: Mapped[int]
    mtime_ns: Mapped[int]
    algorithm: Mapped[str] = mapped_column(String(16))
    digest: Mapped[str | None] = mapped_column(String(100))  # none: never read whole
    problem: Mapped[str | None] = mapped_column(Text)  # why it could not be read
    offload_id: Mapped[int] = mapped_column(ForeignKey("offload.id"))

    reel: Mapped[Reel] = relationship()
    copies: Mapped[list[Copy]] = relationship(back_populates="file")


class Copy(Base):
    """One file of a reel at one destination."""

    __tablename__ = "copy"
    __table_args__ = (UniqueConstraint("file_id", "destination_id"),)

    id: Mapped[PrimaryKey]
    file_id: Mapped[int] = mapped_column(ForeignKey("file.id"))
    destination_id: Mapped[int] = mapped_column(ForeignKey("destination.id"), index=True)
    state: Mapped[CopyState] = mapped_column(text_enum(CopyState))
    verified_at: Mapped[dt.datetime | None]
    # What the file system said right after the proof: a later change shows without reading a byte.
    mtime_ns: Mapped[int | None]
    problem: Mapped[str | None] = mapped_column(Text)

    file: Mapped[File] = relationship(back_populates="copies")
    destination: Mapped[Destination] = relationship()
