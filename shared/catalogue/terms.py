"""The vocabulary of one production: the program's words and its own."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.models import Production, ProductionTerm
from shared.vocabulary import Term, Vocabulary, load_vocabulary


def production_vocabulary(
    session: Session, production: Production, base: Vocabulary | None = None
) -> Vocabulary:
    """The vocabulary with this production's own terms. `base` is the program's, if it is at hand.

    Raises UsageError or ConflictError, as `Vocabulary.extended`, for a term that does not fit.
    """
    rows = session.scalars(
        select(ProductionTerm)
        .where(ProductionTerm.production_id == production.id)
        .order_by(ProductionTerm.id)
    )
    own = [
        Term(
            row.field,
            row.code,
            row.label,
            row.definition or row.label,
            tuple(alias for alias in row.aliases.split("\n") if alias),
        )
        for row in rows
    ]
    vocabulary = base if base is not None else load_vocabulary()
    return vocabulary.extended(own) if own else vocabulary
