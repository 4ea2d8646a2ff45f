"""What people say of clips and of moments inside them, and the text a search looks through."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, String, Table, Text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now
from shared.models.clips import Clip
from shared.models.columns import PrimaryKey
from shared.models.production import Person, Tag

entry_tag = Table(
    "entry_tag",
    Base.metadata,
    Column("entry_id", ForeignKey("log_entry.id"), primary_key=True),
    Column("tag_id", ForeignKey("tag.id"), primary_key=True, index=True),
)

entry_person = Table(
    "entry_person",
    Base.metadata,
    Column("entry_id", ForeignKey("log_entry.id"), primary_key=True),
    Column("person_id", ForeignKey("person.id"), primary_key=True, index=True),
)


class Moment(Base):
    """A marked range inside a clip, in frames from the clip's first; out is exclusive."""

    __tablename__ = "moment"
    __table_args__ = (CheckConstraint("out_frame > in_frame", name="not_empty"),)

    id: Mapped[PrimaryKey]
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    in_frame: Mapped[int]
    out_frame: Mapped[int]
    name: Mapped[str] = mapped_column(String(200), default="")

    clip: Mapped[Clip] = relationship()


class LogEntry(Base):
    """One for each logged clip and each logged moment. Codes are the vocabulary's."""

    __tablename__ = "log_entry"
    __table_args__ = (
        CheckConstraint("(clip_id IS NULL) <> (moment_id IS NULL)", name="one_subject"),
        Index("ix_log_entry_kind", "kind"),
        Index("ix_log_entry_size", "size"),
        Index("ix_log_entry_angle", "angle"),
        Index("ix_log_entry_movement", "movement"),
        Index("ix_log_entry_rating", "rating"),
    )

    id: Mapped[PrimaryKey]
    clip_id: Mapped[int | None] = mapped_column(ForeignKey("clip.id"), unique=True)
    moment_id: Mapped[int | None] = mapped_column(ForeignKey("moment.id"), unique=True)
    kind: Mapped[str | None] = mapped_column(String(64))
    size: Mapped[str | None] = mapped_column(String(64))
    angle: Mapped[str | None] = mapped_column(String(64))
    movement: Mapped[str | None] = mapped_column(String(64))
    support: Mapped[str | None] = mapped_column(String(64))
    audio: Mapped[str | None] = mapped_column(String(64))
    rating: Mapped[str | None] = mapped_column(String(64))
    reason: Mapped[str | None] = mapped_column(String(64))
    int_ext: Mapped[str | None] = mapped_column(String(64))
    time_of_day: Mapped[str | None] = mapped_column(String(64))
    direction: Mapped[str | None] = mapped_column(String(64))
    sync: Mapped[str | None] = mapped_column(String(64))
    sensitive: Mapped[str | None] = mapped_column(String(64))
    subject: Mapped[str] = mapped_column(Text, default="")
    place: Mapped[str] = mapped_column(Text, default="")
    scene: Mapped[str] = mapped_column(Text, default="")
    language: Mapped[str] = mapped_column(String(64), default="")
    note: Mapped[str] = mapped_column(Text, default="")
    version: Mapped[int] = mapped_column(default=1)  # counts edits; the API's ETag
    updated_at: Mapped[dt.datetime] = mapped_column(default=now)
    updated_by: Mapped[str] = mapped_column(String(100), default="")

    clip: Mapped[Clip | None] = relationship()
    moment: Mapped[Moment | None] = relationship()
    tags: Mapped[list[Tag]] = relationship(secondary=entry_tag, order_by="Tag.name")
    people: Mapped[list[Person]] = relationship(secondary=entry_person, order_by="Person.name")


class ClipText(Base):
    """The words a search looks through: everything logged and known of one clip, folded.

    Written beside every change of a clip or its log. The database's own full-text index stands
    over it (FTS5 on SQLite, a GIN index on PostgreSQL) and is kept by triggers.
    """

    __tablename__ = "clip_text"

    clip_id: Mapped[PrimaryKey] = mapped_column(ForeignKey("clip.id"))
    words: Mapped[str] = mapped_column(Text, default="")
