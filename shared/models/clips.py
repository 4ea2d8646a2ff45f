"""Clips, what their files say of themselves, and what was measured."""

from __future__ import annotations

import datetime as dt
import enum
from typing import Any

from sqlalchemy import Float, ForeignKey, Index, String, Text, UniqueConstraint, false
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now, text_enum
from shared.models.clip_times import ClipMedia, ClipTimes
from shared.models.columns import PrimaryKey
from shared.models.media import File, Reel
from shared.models.production import Camera, Lens, Production, ShootingDay


class FileRole(enum.StrEnum):
    ESSENCE = "essence"  # picture or sound of the take itself
    PROXY = "proxy"
    THUMBNAIL = "thumbnail"
    SIDECAR = "sidecar"


class StillKind(enum.StrEnum):
    FRAME = "frame"
    WAVEFORM = "waveform"
    PLACEHOLDER = "placeholder"


class Severity(enum.StrEnum):
    NOTE = "note"
    WARNING = "warning"
    FAULT = "fault"


class Clip(ClipTimes, Base):
    """One continuous recording. Times and counts here are the clip's, over all its files."""

    __tablename__ = "clip"
    __table_args__ = (
        UniqueConstraint("reel_id", "name"),
        Index("ix_clip_production_id_shot_at", "production_id", "shot_at", "id"),
        Index("ix_clip_day_id", "day_id"),
    )

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    reel_id: Mapped[int] = mapped_column(ForeignKey("reel.id"))
    camera_id: Mapped[int | None] = mapped_column(ForeignKey("camera.id"))
    lens_id: Mapped[int | None] = mapped_column(ForeignKey("lens.id"))
    lens_assumed: Mapped[bool] = mapped_column(default=False, server_default=false())  # the kit list's
    day_id: Mapped[int | None] = mapped_column(ForeignKey("shooting_day.id"))
    name: Mapped[str] = mapped_column(Text)  # the first essence file's path without its suffix
    media: Mapped[ClipMedia] = mapped_column(text_enum(ClipMedia))
    shot_at: Mapped[dt.datetime | None]  # start of the recording, interpreted; none: not known
    shot_source: Mapped[str] = mapped_column(String(64), default="")  # which stamp it was read from
    shot_certainty: Mapped[str] = mapped_column(String(16), default="none")  # stated, assumed, file, none
    shot_read_as: Mapped[str] = mapped_column(String(16), default="", server_default="")  # see when.Moment
    shot_correction_ms: Mapped[int] = mapped_column(default=0, server_default="0")  # is in `shot_at`
    day_by_hand: Mapped[bool] = mapped_column(default=False)  # a person's choice, kept when times change
    rate_num: Mapped[int | None]  # at which it plays
    rate_den: Mapped[int | None]
    capture_num: Mapped[int | None]  # at which it was taken, where that is known or suggested
    capture_den: Mapped[int | None]
    capture_certainty: Mapped[str] = mapped_column(String(16), default="none", server_default="none")
    frames: Mapped[int | None]  # duration, in frames of `rate`; sound-only clips count samples
    start_frame: Mapped[int | None]  # start timecode as a count; none: the file carries none
    drop_frame: Mapped[bool] = mapped_column(default=False)

    production: Mapped[Production] = relationship()
    reel: Mapped[Reel] = relationship()
    camera: Mapped[Camera | None] = relationship()
    lens: Mapped[Lens | None] = relationship()
    day: Mapped[ShootingDay | None] = relationship()
    files: Mapped[list[ClipFile]] = relationship(back_populates="clip", order_by="ClipFile.ordinal")
    stills: Mapped[list[Still]] = relationship(back_populates="clip", order_by="Still.ordinal")
    findings: Mapped[list[Finding]] = relationship(back_populates="clip", order_by="Finding.id")


class ClipFile(Base):
    """A file's part in a clip."""

    __tablename__ = "clip_file"
    __table_args__ = (UniqueConstraint("file_id"),)

    id: Mapped[PrimaryKey]
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    file_id: Mapped[int] = mapped_column(ForeignKey("file.id"))
    role: Mapped[FileRole] = mapped_column(text_enum(FileRole))
    ordinal: Mapped[int] = mapped_column(default=0)

    clip: Mapped[Clip] = relationship(back_populates="files")
    file: Mapped[File] = relationship()


class TakeFacts(Base):
    """What one essence file says of itself. Null means the file does not say; nothing is guessed."""

    __tablename__ = "take_facts"

    id: Mapped[PrimaryKey]
    file_id: Mapped[int] = mapped_column(ForeignKey("file.id"), unique=True)
    container: Mapped[str | None] = mapped_column(String(64))
    video_codec: Mapped[str | None] = mapped_column(String(64))
    width: Mapped[int | None]
    height: Mapped[int | None]
    rotation: Mapped[int | None]  # degrees clockwise needed to show it upright
    pixel_aspect: Mapped[str | None] = mapped_column(String(32))  # fraction as text, "64/45"
    rate_num: Mapped[int | None]
    rate_den: Mapped[int | None]
    rate_mode: Mapped[str | None] = mapped_column(String(16))  # constant, variable
    frames: Mapped[int | None]
    start_timecode: Mapped[str | None] = mapped_column(String(16))  # as the file writes it
    start_frame: Mapped[int | None]
    drop_frame: Mapped[bool | None]
    timecode_source: Mapped[str | None] = mapped_column(String(32))
    bit_depth: Mapped[int | None]
    chroma: Mapped[str | None] = mapped_column(String(16))
    colour_primaries: Mapped[str | None] = mapped_column(String(64))
    transfer: Mapped[str | None] = mapped_column(String(64))
    matrix: Mapped[str | None] = mapped_column(String(64))
    colour_range: Mapped[str | None] = mapped_column(String(16))
    scan: Mapped[str | None] = mapped_column(String(32))
    audio_codec: Mapped[str | None] = mapped_column(String(64))
    audio_channels: Mapped[int | None]  # of all sound tracks together
    audio_tracks: Mapped[int | None]
    audio_rate: Mapped[int | None]
    audio_bits: Mapped[int | None]
    samples: Mapped[int | None]
    recorded_raw: Mapped[str | None] = mapped_column(String(64))  # the stamp, untouched
    recorded_field: Mapped[str | None] = mapped_column(String(64))  # where it stood
    recorded_zone: Mapped[str | None] = mapped_column(String(32))  # stated, assumed-utc, local, unknown
    more: Mapped[dict[str, Any]] = mapped_column(default=dict)  # anything else worth keeping, as read

    file: Mapped[File] = relationship()


class Still(Base):
    """A picture taken from a clip, kept in the catalogue's own folder."""

    __tablename__ = "still"
    __table_args__ = (UniqueConstraint("clip_id", "ordinal"),)

    id: Mapped[PrimaryKey]
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"))
    ordinal: Mapped[int]
    kind: Mapped[StillKind] = mapped_column(text_enum(StillKind))
    frame: Mapped[int | None]  # counted from the clip's first frame
    path: Mapped[str] = mapped_column(Text)  # below the catalogue's `stills` folder
    width: Mapped[int]
    height: Mapped[int]

    clip: Mapped[Clip] = relationship(back_populates="stills")


class Finding(Base):
    """Something a program noticed: the number, the place and the rule."""

    __tablename__ = "finding"
    __table_args__ = (Index("ix_finding_code", "code"),)

    id: Mapped[PrimaryKey]
    clip_id: Mapped[int | None] = mapped_column(ForeignKey("clip.id"), index=True)
    file_id: Mapped[int | None] = mapped_column(ForeignKey("file.id"), index=True)
    code: Mapped[str] = mapped_column(String(64))
    severity: Mapped[Severity] = mapped_column(text_enum(Severity))
    message: Mapped[str] = mapped_column(Text)
    value: Mapped[float | None] = mapped_column(Float)  # the measured number, never a time
    unit: Mapped[str] = mapped_column(String(32), default="")
    rule: Mapped[str] = mapped_column(Text, default="")
    in_frame: Mapped[int | None]
    out_frame: Mapped[int | None]  # exclusive
    channel: Mapped[int | None]  # of the sound, from 1; none: not about one
    dismissed: Mapped[str | None] = mapped_column(Text)  # a person's reason
    created_at: Mapped[dt.datetime] = mapped_column(default=now)

    clip: Mapped[Clip | None] = relationship(back_populates="findings")
    file: Mapped[File | None] = relationship()
