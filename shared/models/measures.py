"""What was measured of a file, as numbers from which findings can be derived again, and what they suggest."""

from __future__ import annotations

import datetime as dt
import enum
from collections.abc import Mapping
from typing import Any

from sqlalchemy import JSON, Float, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now, text_enum
from shared.models.clips import Clip
from shared.models.columns import PrimaryKey
from shared.models.media import File


class MeasureKind(enum.StrEnum):
    PICTURE = "picture"
    SOUND = "sound"


# The layout of the numbers that pages, the service and the outline read; others are left out by them.
READ_VERSIONS: Mapping[MeasureKind, int] = {MeasureKind.PICTURE: 2, MeasureKind.SOUND: 2}


class Measurement(Base):
    """The numbers of one file's picture or sound. `version` says how they are laid out and were taken."""

    __tablename__ = "measurement"
    __table_args__ = (UniqueConstraint("file_id", "kind"),)

    id: Mapped[PrimaryKey]
    file_id: Mapped[int] = mapped_column(ForeignKey("file.id"))
    kind: Mapped[MeasureKind] = mapped_column(text_enum(MeasureKind))
    version: Mapped[int]
    read_from_id: Mapped[int | None] = mapped_column(ForeignKey("file.id"))  # a proxy, measured in its place
    numbers: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    problem: Mapped[str] = mapped_column(Text, default="")  # why there are none
    measured_at: Mapped[dt.datetime] = mapped_column(default=now)

    file: Mapped[File] = relationship(foreign_keys=file_id)
    read_from: Mapped[File | None] = relationship(foreign_keys=read_from_id)


class Suggestion(Base):
    """What the numbers suggest for one field of a clip's log. A person's word stands above it, always."""

    __tablename__ = "suggestion"
    __table_args__ = (UniqueConstraint("clip_id", "field"),)

    id: Mapped[PrimaryKey]
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"))
    field: Mapped[str] = mapped_column(String(32))
    value: Mapped[str] = mapped_column(String(200))
    confidence: Mapped[float] = mapped_column(Float)  # 0 to 1
    reason: Mapped[str] = mapped_column(Text, default="")  # the rule and its numbers
    created_at: Mapped[dt.datetime] = mapped_column(default=now)

    clip: Mapped[Clip] = relationship()
