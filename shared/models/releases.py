"""Permissions: who or what may be shown, in what, and until when. Never a legal judgement."""

from __future__ import annotations

import datetime as dt
import enum

from sqlalchemy import Column, Date, ForeignKey, String, Table, Text, false
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.models.base import Base, now, text_enum
from shared.models.clips import Clip
from shared.models.columns import PrimaryKey
from shared.models.production import Person, Production


class ReleaseKind(enum.StrEnum):
    PERSON = "person"
    MINOR = "minor"  # a guardian signs
    GROUP = "group"  # a school, a club, a crew
    PLACE = "place"
    WORK = "work"  # art, a photograph, a screen, music that is heard


release_clip = Table(
    "release_clip",
    Base.metadata,
    Column("release_id", ForeignKey("release.id"), primary_key=True),
    Column("clip_id", ForeignKey("clip.id"), primary_key=True, index=True),
)


class Release(Base):
    """One permission. Unsigned as long as `signed_on` is none: asked for, perhaps promised."""

    __tablename__ = "release"

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"), index=True)
    kind: Mapped[ReleaseKind] = mapped_column(text_enum(ReleaseKind))
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)  # of person, minor
    name: Mapped[str] = mapped_column(Text, default="")  # of a group, place or work; a place: as it is logged
    guardian: Mapped[str] = mapped_column(Text, default="")  # who signs for a minor, or for a group
    signed_on: Mapped[dt.date | None] = mapped_column(Date)
    media: Mapped[str] = mapped_column(Text, default="")  # as the form says: "all", "cinema, online"
    territory: Mapped[str] = mapped_column(Text, default="")
    until: Mapped[dt.date | None] = mapped_column(Date)  # last day; none: the form sets no end
    cut_downs: Mapped[bool | None]  # whether it covers shorter versions; none: the form does not say
    no_name: Mapped[bool] = mapped_column(default=False, server_default=false())
    hide_face: Mapped[bool] = mapped_column(default=False, server_default=false())
    restrictions: Mapped[str] = mapped_column(Text, default="")
    withdrawn_on: Mapped[dt.date | None] = mapped_column(Date)
    form: Mapped[str] = mapped_column(Text, default="")  # which version of which form
    language: Mapped[str] = mapped_column(String(64), default="")
    # The signed paper, in the catalogue's own folder `releases`, never in a hand-over.
    file_name: Mapped[str] = mapped_column(Text, default="")
    file_hash: Mapped[str] = mapped_column(String(100), default="")  # algorithm and value
    file_bytes: Mapped[int | None]
    note: Mapped[str] = mapped_column(Text, default="")
    updated_at: Mapped[dt.datetime] = mapped_column(default=now)
    updated_by: Mapped[str] = mapped_column(String(100), default="")

    production: Mapped[Production] = relationship()
    person: Mapped[Person | None] = relationship()
    clips: Mapped[list[Clip]] = relationship(secondary=release_clip, order_by="Clip.id")
