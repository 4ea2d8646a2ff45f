"""Searches that somebody keeps under a name."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from shared.models.base import Base, now
from shared.models.columns import PrimaryKey


class SavedSearch(Base):
    """A query with a name, of one production."""

    __tablename__ = "saved_search"
    __table_args__ = (UniqueConstraint("production_id", "name"),)

    id: Mapped[PrimaryKey]
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    name: Mapped[str] = mapped_column(String(100))
    query: Mapped[str] = mapped_column(Text)
    created_at: Mapped[dt.datetime] = mapped_column(default=now)
