"""What was said in clips: timed words, tied to exact frames."""

from __future__ import annotations

import datetime as dt
import enum
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Float, ForeignKey, Index, String, Text, UniqueConstraint, false
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now, text_enum
from shared.models.clips import Clip
from shared.models.columns import PrimaryKey
from shared.models.production import Person


class TranscriptOrigin(enum.StrEnum):
    IMPORTED = "imported"  # from a file that a person gave
    RECOGNISED = "recognised"  # by a program that listened


class ClipTranscript(Base):
    """The words of a clip, or of one part of it: a clip has one for the whole, or one for each part."""

    __tablename__ = "transcript"
    __table_args__ = (UniqueConstraint("clip_id", "part"),)

    id: Mapped[PrimaryKey]
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"))
    part: Mapped[int] = mapped_column(default=0)  # of the clip's files, from 1; 0: the whole clip
    offset_frames: Mapped[int] = mapped_column(default=0)  # frames of the clip before this part
    language: Mapped[str] = mapped_column(String(64), default="")
    file_name: Mapped[str] = mapped_column(Text, default="")
    file_hash: Mapped[str] = mapped_column(String(100), default="")  # "sha256:…" of the bytes that came in
    origin: Mapped[TranscriptOrigin] = mapped_column(text_enum(TranscriptOrigin))
    words: Mapped[str] = mapped_column(
        Text, default=""
    )  # what `clip_text` takes in of it, see catalogue/text
    created_at: Mapped[dt.datetime] = mapped_column(default=now)
    updated_at: Mapped[dt.datetime] = mapped_column(default=now)
    updated_by: Mapped[str] = mapped_column(String(100), default="")

    clip: Mapped[Clip] = relationship()


class ClipCue(Base):
    """A stretch of speech. Frames count from the clip's first, the end is exclusive, and they are the truth;
    microseconds are the source's own, from the beginning of the medium that the transcript is of.

    `confidence_mean`, `confidence_least`: how sure a program that listened was of the words, 0 to 1, by its
    own number; None: it does not say, or a person has corrected the words since.

    `spoken`: the words with their times, each `[text, first frame, frame after the last, begin in µs, end in
    µs]`; the microseconds are null where a time was worked out and not given. None: no word has a time.
    """

    __tablename__ = "cue"
    __table_args__ = (
        CheckConstraint("end_frame > start_frame", name="not_empty"),
        Index("ix_cue_clip_id_start_frame", "clip_id", "start_frame"),
        # A number is never given twice: edits in the journal name cues by it.
        {"sqlite_autoincrement": True},
    )

    id: Mapped[PrimaryKey]
    transcript_id: Mapped[int] = mapped_column(ForeignKey("transcript.id"), index=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"))
    start_frame: Mapped[int]
    end_frame: Mapped[int]
    start_us: Mapped[int]
    end_us: Mapped[int]
    text: Mapped[str] = mapped_column(Text)
    speaker: Mapped[str] = mapped_column(Text, default="")  # the name as the source writes it
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
    spoken: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True))
    corrected: Mapped[bool] = mapped_column(default=False, server_default=false())  # by a person
    confidence_mean: Mapped[float | None] = mapped_column(Float)  # of its words
    confidence_least: Mapped[float | None] = mapped_column(Float)  # of the word that it was least sure of

    transcript: Mapped[ClipTranscript] = relationship()
    person: Mapped[Person | None] = relationship()
