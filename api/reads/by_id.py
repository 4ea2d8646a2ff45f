"""One row by the id in an address."""

from __future__ import annotations

from typing import TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.errors import NotFoundError
from shared.models import Base

Row = TypeVar("Row", bound=Base)


def find_by_id(
    session: Session, model: type[Row], number: int, what: str, *, listed: str, hold: bool = False
) -> Row:
    """Raises NotFoundError, which says where others are `listed`. `hold`: nobody else changes it until the
    transaction ends, so that what its ETag was compared with is what is written over.
    """
    rows = select(model).where(model.id == number)  # type: ignore[attr-defined]
    row = session.scalar(rows.with_for_update() if hold else rows)
    if row is None:
        raise NotFoundError(f"there is no {what} {number}", remedy=f"List them under /api/v1/{listed}.")
    return row
