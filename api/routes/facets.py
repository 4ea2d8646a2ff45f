"""How many clips of a query have each value of each field."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response

from api.deps import ProductionName, ServiceDep
from api.routes.clips import QueryText
from api.schemas.clips import Facets, FacetValue
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
    counted = service.facets.count(found, q, vocabulary, most=most)
    answer = Facets(
        total=counted.total,
        fields={
            name: [FacetValue(value=one.value, label=one.label, count=one.count) for one in values]
            for name, values in counted.fields.items()
        },
        left_out=counted.left_out,
    )
    # As it is: the framework would check and copy each of some thousand values once more.
    return Response(answer.model_dump_json(), media_type="application/json")
