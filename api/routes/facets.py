"""How many clips of a query have each value of each field."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response
from pydantic_core import to_json

from api.deps import ProductionName, ServiceDep
from api.routes.clips import QueryText
from api.schemas.clips import Facets
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.db import reading

router = APIRouter(prefix="/clips", tags=["clips"])

Most = Annotated[
    int, Query(ge=1, le=10_000, description="Values of a field to give at most: those of most clips.")
]


@router.get(
    "/facets",
    summary="Count the clips found by each value of each field",
    response_model=Facets,
    responses={404: {}},
)
def read_facets(
    service: ServiceDep, q: QueryText = "", production: ProductionName = None, most: Most = 100
) -> Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        counted = service.facets.count(session, found, q, vocabulary, most=most)
    # As it is: making and checking an object for each of some thousand values takes as long as counting.
    answer = {"total": counted.total, "fields": counted.fields, "left_out": counted.left_out}
    return Response(to_json(answer), media_type="application/json")
