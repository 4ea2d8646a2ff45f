"""One film or job: its days, its kit, its people and its own words."""

from __future__ import annotations

import datetime as dt
import enum

from sqlalchemy import Date, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now, text_enum
from shared.models.columns import PrimaryKey
from shared.timecode import Rate


class ZoneRule(enum.StrEnum):
    """How a camera's clock is to be read."""

    LOCAL = "local"  # set to the production's wall clock
    UTC = "utc"  # set to UTC, as drones commonly are
    UNKNOWN = "unknown"


class CameraKind(enum.StrEnum):
    CAMERA = "camera"
    DRONE = "drone"
    RECORDER = "recorder"
    PHONE = "phone"


class Production(Base):
    __tablename__ = "production"

    id: Mapped[PrimaryKey]
    name: Mapped[str] = mapped_column(String(200), unique=True)
    slug: Mapped[str] = mapped_column(String(80), unique=True)  # its folder at every destination
    rate_num: Mapped[int]
    rate_den: Mapped[int]
    drop_frame: Mapped[bool] = mapped_column(default=False)
    zone: Mapped[str] = mapped_column(String(64))  # IANA name
    day_starts_minutes: Mapped[int] = mapped_column(default=240)  # after midnight, wall clock
    language: Mapped[str] = mapped_column(String(16), default="en")
    created_at: Mapped[dt.datetime] = mapped_column(default=now)
    # The sheet: what every clip should be, with the rate, the counting and the zone. None: not laid down.
    width: Mapped[int | None]
    height: Mapped[int | None]
    transfer: Mapped[str | None] = mapped_column(String(64))  # colour curve, as files name it
    audio_rate: Mapped[int | None] = mapped_column(default=48_000, server_default="48000")

    days: Mapped[list[ShootingDay]] = relationship(back_populates="production", order_by="ShootingDay.number")
    cameras: Mapped[list[Camera]] = relationship(back_populates="production", order_by="Camera.letter")

    @property
    def rate(self) -> Rate:
        return Rate(self.rate_num, self.rate_den)


class ShootingDay(Base):
    __tablename__ = "shooting_day"
    __table_args__ = (UniqueConstraint("production_id", "number"), UniqueConstraint("production_id", "date"))

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    number: Mapped[int]
    date: Mapped[dt.date] = mapped_column(Date)
    goal: Mapped[str] = mapped_column(Text, default="")

    production: Mapped[Production] = relationship(back_populates="days")


class Camera(Base):
    """A body of the kit list, or a sound recorder: whatever fills reels under one letter."""

    __tablename__ = "camera"
    __table_args__ = (UniqueConstraint("production_id", "letter"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    letter: Mapped[str] = mapped_column(String(8))
    name: Mapped[str] = mapped_column(String(200), default="")
    kind: Mapped[CameraKind] = mapped_column(text_enum(CameraKind), default=CameraKind.CAMERA)
    zone_rule: Mapped[ZoneRule] = mapped_column(text_enum(ZoneRule), default=ZoneRule.UNKNOWN)
    # True time - shown time, on every day that has no correction of its own: see ClockCorrection.
    clock_correction_ms: Mapped[int] = mapped_column(default=0)
    default_lens_id: Mapped[int | None] = mapped_column(ForeignKey("lens.id"))

    production: Mapped[Production] = relationship(back_populates="cameras")
    default_lens: Mapped[Lens | None] = relationship()


class ClockCorrection(Base):
    """What a camera's clock showed at a true time, on every day or on one; the one of a day wins."""

    __tablename__ = "clock_correction"

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    camera_id: Mapped[int] = mapped_column(ForeignKey("camera.id"), index=True)
    day_id: Mapped[int | None] = mapped_column(ForeignKey("shooting_day.id"))  # none: every day
    shown: Mapped[str] = mapped_column(String(64))  # as it was written down
    true_time: Mapped[str] = mapped_column(String(64))
    correction_ms: Mapped[int]  # true - shown
    created_at: Mapped[dt.datetime] = mapped_column(default=now)

    production: Mapped[Production] = relationship()
    camera: Mapped[Camera] = relationship()
    day: Mapped[ShootingDay | None] = relationship()


class Lens(Base):
    __tablename__ = "lens"
    __table_args__ = (UniqueConstraint("production_id", "name"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    name: Mapped[str] = mapped_column(String(200))
    focal_min_mm: Mapped[int | None]
    focal_max_mm: Mapped[int | None]
    max_aperture: Mapped[str] = mapped_column(String(16), default="")  # as engraved: "f/1.8", "T2"


class Microphone(Base):
    __tablename__ = "microphone"
    __table_args__ = (UniqueConstraint("production_id", "name"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    name: Mapped[str] = mapped_column(String(200))
    kind: Mapped[str] = mapped_column(String(32), default="")  # a code of the vocabulary's `audio`


class Person(Base):
    __tablename__ = "person"
    __table_args__ = (UniqueConstraint("production_id", "name"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    name: Mapped[str] = mapped_column(String(200))  # spelled as it will stand in a caption
    role: Mapped[str] = mapped_column(String(200), default="")


class Tag(Base):
    __tablename__ = "tag"
    __table_args__ = (UniqueConstraint("production_id", "name"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    name: Mapped[str] = mapped_column(String(100))


class ProductionTerm(Base):
    """A term this production adds to the vocabulary."""

    __tablename__ = "production_term"
    __table_args__ = (UniqueConstraint("production_id", "field", "code"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    field: Mapped[str] = mapped_column(String(32))
    code: Mapped[str] = mapped_column(String(64))
    label: Mapped[str] = mapped_column(String(100))
    definition: Mapped[str] = mapped_column(Text, default="")
    aliases: Mapped[str] = mapped_column(Text, default="")  # one a line
