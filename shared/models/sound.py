"""Whose voice is on which channel, and which sound recording belongs to which picture."""

from __future__ import annotations

import datetime as dt
import enum

from sqlalchemy import Float, ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now, text_enum
from shared.models.clips import Clip
from shared.models.columns import PrimaryKey
from shared.models.production import Microphone, Person


class ChannelSource(enum.StrEnum):
    FILE = "file"  # named in the file itself, confirmed by nobody
    LOG = "log"  # a person said so


class SyncMethod(enum.StrEnum):
    CLOCK = "clock"  # what the clocks claim; the sound could not be compared
    SOUND = "sound"


class SyncState(enum.StrEnum):
    SUGGESTED = "suggested"
    CONFIRMED = "confirmed"  # by a person
    NO_MATCH = "no-match"


class ChannelMap(Base):
    """What is on one channel of a clip's sound: channel → microphone → person."""

    __tablename__ = "channel_map"
    __table_args__ = (UniqueConstraint("clip_id", "channel"),)

    id: Mapped[PrimaryKey]
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"))
    channel: Mapped[int]  # from 1, over all sound tracks of the clip in their order
    track: Mapped[str] = mapped_column(String(300), default="")  # as the recorder calls it
    microphone_id: Mapped[int | None] = mapped_column(ForeignKey("microphone.id"))
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    source: Mapped[ChannelSource] = mapped_column(text_enum(ChannelSource), default=ChannelSource.LOG)

    clip: Mapped[Clip] = relationship()
    microphone: Mapped[Microphone | None] = relationship()
    person: Mapped[Person | None] = relationship()


class SoundPair(Base):
    """A picture and a sound recording compared: where one stands beside the other.

    The moment `p` seconds into the picture is sample offset_samples + p · rate · (1 + drift_ppb / 10⁹) of the
    sound. An offset below zero: the sound began after the picture.
    """

    __tablename__ = "sound_pair"
    __table_args__ = (UniqueConstraint("picture_clip_id", "sound_clip_id"),)

    id: Mapped[PrimaryKey]
    picture_clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"))
    sound_clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    overlap_ms: Mapped[int]  # how long both ran; below zero, by the clocks: the gap between them
    offset_samples: Mapped[int | None]  # none: no match
    rate: Mapped[int]  # samples a second of the sound
    drift_ppb: Mapped[int | None]  # in 10⁹ samples; none: too short to tell
    confidence: Mapped[float] = mapped_column(Float)  # 0 to 1: how far it stands above the next best
    method: Mapped[SyncMethod] = mapped_column(text_enum(SyncMethod))
    state: Mapped[SyncState] = mapped_column(text_enum(SyncState), default=SyncState.SUGGESTED)
    created_at: Mapped[dt.datetime] = mapped_column(default=now)

    picture: Mapped[Clip] = relationship(foreign_keys=picture_clip_id)
    sound: Mapped[Clip] = relationship(foreign_keys=sound_clip_id)
