"""Searches that somebody keeps under a name."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import Production, SavedSearch
from shared.query import parse_query


def keep_search(session: Session, production: Production, name: str, query: str) -> SavedSearch:
    """Raises QueryError for a query that can't be read, ConflictError for a name that is taken."""
    parse_query(query)
    name = " ".join(name.split())
    if not name:
        raise UsageError("a kept search needs a name", remedy="Say in a word or two what it finds.")
    taken = session.scalar(select(SavedSearch).filter_by(production_id=production.id, name=name))
    if taken is not None:
        raise ConflictError(
            f"there is a search named {name} already", remedy="Choose another name, or let that one go first."
        )
    search = SavedSearch(production_id=production.id, name=name, query=query.strip())
    session.add(search)
    session.flush()
    return search


def drop_search(session: Session, number: int) -> None:
    """Raises NotFoundError."""
    search = session.get(SavedSearch, number)
    if search is None:
        raise NotFoundError(f"there is no kept search {number}", remedy="List them and use their ids.")
    session.delete(search)
    session.flush()
