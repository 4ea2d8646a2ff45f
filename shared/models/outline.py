"""Outlines: the ordered paper edit of a film, in quotes, scenes, narration, music and titles."""

from __future__ import annotations

import datetime as dt
import enum
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now, text_enum
from shared.models.clips import Clip
from shared.models.columns import PrimaryKey
from shared.models.plan import NarrationLine
from shared.models.production import Production


class ItemKind(enum.StrEnum):
    QUOTE = "quote"  # somebody says it, in a clip
    SCENE = "scene"  # something that happens, observed
    NARRATION = "narration"  # a line of the narration
    MUSIC = "music"
    TITLE = "title"


class Outline(Base):
    """One way through the film. A production may have several: the film, a cut-down."""

    __tablename__ = "outline"
    __table_args__ = (UniqueConstraint("production_id", "name"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    name: Mapped[str] = mapped_column(String(200))
    target_seconds: Mapped[int | None]  # how long it is to be; none: nobody said
    updated_at: Mapped[dt.datetime] = mapped_column(default=now)
    updated_by: Mapped[str] = mapped_column(String(100), default="")

    production: Mapped[Production] = relationship()


class OutlineItem(Base):
    """One item. `rank` is its key in the order: moving it changes this row and no other."""

    __tablename__ = "outline_item"

    id: Mapped[PrimaryKey]
    outline_id: Mapped[int] = mapped_column(ForeignKey("outline.id"), index=True)
    rank: Mapped[str] = mapped_column(Text)
    kind: Mapped[ItemKind] = mapped_column(text_enum(ItemKind))
    name: Mapped[str] = mapped_column(Text, default="")  # of the scene or the music; a title's text
    mood: Mapped[str] = mapped_column(Text, default="")  # of the music
    note: Mapped[str] = mapped_column(Text, default="")
    length_ms: Mapped[int | None]  # of a title, or music that is not recorded
    line_id: Mapped[int | None] = mapped_column(ForeignKey("narration_line.id"), index=True)
    # A quote of several parts says what nobody said in one breath: who looked whether it means the same.
    checked_by: Mapped[str] = mapped_column(String(100), default="")
    checked_at: Mapped[dt.datetime | None]
    updated_at: Mapped[dt.datetime] = mapped_column(default=now)
    updated_by: Mapped[str] = mapped_column(String(100), default="")

    outline: Mapped[Outline] = relationship()
    line: Mapped[NarrationLine | None] = relationship()
    parts: Mapped[list[OutlinePart]] = relationship(
        order_by="OutlinePart.place", cascade="all, delete-orphan", back_populates="item"
    )
    covers: Mapped[list[OutlineCover]] = relationship(
        order_by="OutlineCover.offset_frames, OutlineCover.id",
        cascade="all, delete-orphan",
        back_populates="item",
    )


class OutlinePart(Base):
    """A range of a clip that an item consists of, in the clip's own frames (samples of a sound-only clip);
    out is exclusive. A stitched quote has several."""

    __tablename__ = "outline_part"
    __table_args__ = (CheckConstraint("out_frame > in_frame", name="not_empty"),)

    id: Mapped[PrimaryKey]
    item_id: Mapped[int] = mapped_column(ForeignKey("outline_item.id"), index=True)
    place: Mapped[int]
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    in_frame: Mapped[int]
    out_frame: Mapped[int]
    speaker: Mapped[str] = mapped_column(Text, default="")
    words: Mapped[str] = mapped_column(Text, default="")  # what the transcript said when it was chosen
    text_hash: Mapped[str] = mapped_column(String(100), default="")  # of these words

    item: Mapped[OutlineItem] = relationship(back_populates="parts")
    clip: Mapped[Clip] = relationship()


class OutlineCover(Base):
    """A range of a clip that lies over an item's picture, from an offset in frames of the edit rate."""

    __tablename__ = "outline_cover"
    __table_args__ = (CheckConstraint("out_frame > in_frame", name="not_empty"),)

    id: Mapped[PrimaryKey]
    item_id: Mapped[int] = mapped_column(ForeignKey("outline_item.id"), index=True)
    offset_frames: Mapped[int]
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    in_frame: Mapped[int]
    out_frame: Mapped[int]

    item: Mapped[OutlineItem] = relationship(back_populates="covers")
    clip: Mapped[Clip] = relationship()


class OutlineVersion(Base):
    """An outline as it stood when somebody kept it under a name: the snapshots of its items, by id."""

    __tablename__ = "outline_version"
    __table_args__ = (UniqueConstraint("outline_id", "name"),)

    id: Mapped[PrimaryKey]
    outline_id: Mapped[int] = mapped_column(ForeignKey("outline.id"))
    name: Mapped[str] = mapped_column(String(200))
    content: Mapped[dict[str, Any]] = mapped_column(JSON)
    made_at: Mapped[dt.datetime] = mapped_column(default=now)
    made_by: Mapped[str] = mapped_column(String(100), default="")

    outline: Mapped[Outline] = relationship()
