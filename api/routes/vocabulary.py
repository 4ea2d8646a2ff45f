"""The words that a log may use."""

from __future__ import annotations

from fastapi import APIRouter

from api.deps import ProductionName, ServiceDep
from api.schemas.service import Term, Vocabulary
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.db import reading

router = APIRouter(prefix="/vocabulary", tags=["log"])


@router.get(
    "",
    summary="Read the vocabulary, with the production's own terms",
    responses={404: {}},
)
def read_vocabulary(service: ServiceDep, production: ProductionName = None) -> Vocabulary:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        words = production_vocabulary(session, found, service.vocabulary)
    return Vocabulary(
        fields={
            field: [
                Term(
                    code=term.code,
                    label=term.label,
                    definition=term.definition,
                    aliases=list(term.aliases),
                    rank=term.rank,
                )
                for term in words.terms(field)
            ]
            for field in words.fields()
        }
    )
