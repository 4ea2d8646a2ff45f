"""The journal: every edit of the log, so that it can be read and taken back."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now
from shared.models.columns import PrimaryKey


class ChangeSet(Base):
    """One edit by one person, of one clip or of thousands, made and undone as a whole."""

    __tablename__ = "change_set"

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"), index=True)
    made_at: Mapped[dt.datetime] = mapped_column(default=now)
    author: Mapped[str] = mapped_column(String(200))
    summary: Mapped[str] = mapped_column(Text)
    undoes_id: Mapped[int | None] = mapped_column(ForeignKey("change_set.id"), unique=True)

    changes: Mapped[list[Change]] = relationship(back_populates="change_set", order_by="Change.id")


class Change(Base):
    """One thing that was changed. `before` and `after`: its fields; none: it was not there."""

    __tablename__ = "change"
    __table_args__ = (Index("ix_change_kind_subject_id", "kind", "subject_id"),)

    id: Mapped[PrimaryKey]
    set_id: Mapped[int] = mapped_column(ForeignKey("change_set.id"), index=True)
    kind: Mapped[str] = mapped_column(String(32))  # "entry", "moment", "clip" …
    subject_id: Mapped[int]
    before: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    after: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))

    change_set: Mapped[ChangeSet] = relationship(back_populates="changes")
