"""Which clips have changed, for whoever keeps something derived from them."""

from __future__ import annotations

from sqlalchemy import Index
from sqlalchemy.orm import Mapped

from shared.models.base import Base
from shared.models.columns import PrimaryKey


class Touched(Base):
    """One change of something that decides how a clip is found. Written by triggers alone, so that no
    statement of any process is missed; old rows are pruned by a trigger too. See `shared/facets/changes.py`.
    """

    __tablename__ = "touched"
    __table_args__ = (Index("ix_touched_tx", "tx"),)

    id: Mapped[PrimaryKey]
    clip_id: Mapped[int | None]  # none: a name, as of a tag or a day; no key, as the clip may be gone
    tx: Mapped[int | None]  # PostgreSQL's transaction: its ids are not in the order of commits
