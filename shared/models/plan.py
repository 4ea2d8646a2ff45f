"""The plan: what the narration says, which shots are wanted, and what was shot that answers them."""

from __future__ import annotations

import datetime as dt
import enum

from sqlalchemy import CheckConstraint, Column, ForeignKey, String, Table, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now, text_enum
from shared.models.clips import Clip
from shared.models.columns import PrimaryKey
from shared.models.log import Moment
from shared.models.production import Camera, Person, Production, ShootingDay


class Origin(enum.StrEnum):
    """Where a wish came from."""

    NARRATION = "narration"
    QUOTE = "quote"
    IDEA = "idea"


class Need(enum.StrEnum):
    MUST = "must"
    SHOULD = "should"
    NICE = "nice"


class AnswerState(enum.StrEnum):
    CONFIRMED = "confirmed"  # a person says: this is such a shot
    REFUSED = "refused"  # a person says: it is not; it is not suggested again


wanted_person = Table(
    "wanted_person",
    Base.metadata,
    Column("wish_id", ForeignKey("wanted_shot.id"), primary_key=True),
    Column("person_id", ForeignKey("person.id"), primary_key=True, index=True),
)


class NarrationLine(Base):
    """One passage of the narration, spoken in one breath of the film. `picture`: what it needs to show."""

    __tablename__ = "narration_line"
    __table_args__ = (UniqueConstraint("production_id", "code"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    code: Mapped[str] = mapped_column(String(32))  # N1, N2 …
    position: Mapped[int] = mapped_column(default=0)  # order in the film
    beat: Mapped[str] = mapped_column(Text, default="")  # the log's scene
    text: Mapped[str] = mapped_column(Text)
    picture: Mapped[str] = mapped_column(Text, default="")
    recorded_ms: Mapped[int | None]  # how long it took when the narrator read it; none: not recorded
    updated_at: Mapped[dt.datetime] = mapped_column(default=now)
    updated_by: Mapped[str] = mapped_column(String(100), default="")

    production: Mapped[Production] = relationship()


class WantedShot(Base):
    """A shot that somebody wants, before or after it was taken. Codes are the vocabulary's."""

    __tablename__ = "wanted_shot"
    __table_args__ = (UniqueConstraint("production_id", "code"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    code: Mapped[str] = mapped_column(String(32))  # W1, W2 …
    position: Mapped[int] = mapped_column(default=0)
    what: Mapped[str] = mapped_column(Text)
    origin: Mapped[Origin] = mapped_column(text_enum(Origin), default=Origin.IDEA)
    words: Mapped[str] = mapped_column(Text, default="")  # the quote, or the idea at more length
    line_id: Mapped[int | None] = mapped_column(ForeignKey("narration_line.id"), index=True)
    beat: Mapped[str] = mapped_column(Text, default="")
    day_id: Mapped[int | None] = mapped_column(ForeignKey("shooting_day.id"), index=True)
    kind: Mapped[str | None] = mapped_column(String(64))
    size: Mapped[str | None] = mapped_column(String(64))
    angle: Mapped[str | None] = mapped_column(String(64))
    camera_id: Mapped[int | None] = mapped_column(ForeignKey("camera.id"))
    place: Mapped[str] = mapped_column(Text, default="")
    need: Mapped[Need] = mapped_column(text_enum(Need), default=Need.SHOULD)
    seconds: Mapped[int | None]  # usable ones that are wanted; none: what the thresholds say
    note: Mapped[str] = mapped_column(Text, default="")
    dropped: Mapped[str] = mapped_column(Text, default="")  # why it is not wanted any more
    updated_at: Mapped[dt.datetime] = mapped_column(default=now)
    updated_by: Mapped[str] = mapped_column(String(100), default="")

    production: Mapped[Production] = relationship()
    line: Mapped[NarrationLine | None] = relationship()
    day: Mapped[ShootingDay | None] = relationship()
    camera: Mapped[Camera | None] = relationship()
    people: Mapped[list[Person]] = relationship(secondary=wanted_person, order_by="Person.name")


class Answer(Base):
    """What a person says of a wish and a clip, or a moment of it. Many to many; suggestions have no row."""

    __tablename__ = "answer"
    __table_args__ = (
        CheckConstraint("(clip_id IS NULL) <> (moment_id IS NULL)", name="one_shot"),
        UniqueConstraint("wish_id", "clip_id"),
        UniqueConstraint("wish_id", "moment_id"),
    )

    id: Mapped[PrimaryKey]
    wish_id: Mapped[int] = mapped_column(ForeignKey("wanted_shot.id"))
    clip_id: Mapped[int | None] = mapped_column(ForeignKey("clip.id"), index=True)
    moment_id: Mapped[int | None] = mapped_column(ForeignKey("moment.id"), index=True)
    state: Mapped[AnswerState] = mapped_column(text_enum(AnswerState))
    made_at: Mapped[dt.datetime] = mapped_column(default=now)
    made_by: Mapped[str] = mapped_column(String(100), default="")

    wish: Mapped[WantedShot] = relationship()
    clip: Mapped[Clip | None] = relationship()
    moment: Mapped[Moment | None] = relationship()


class Threshold(Base):
    """A number that a rule of the plan judges by, where this production has its own."""

    __tablename__ = "threshold"
    __table_args__ = (UniqueConstraint("production_id", "name"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    name: Mapped[str] = mapped_column(String(64))
    value: Mapped[int]  # in the unit that `shared/plan/thresholds.py` gives
