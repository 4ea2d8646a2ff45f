"""Productions."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response
from sqlalchemy import select

from api.deps import AfterId, Limit, ServiceDep
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.schemas.base import Listing
from api.schemas.productions import NewProduction, Production, production_shape
from shared import models
from shared.catalogue.productions import find_production, make_production
from shared.db import reading, writing
from shared.timecode import Rate

router = APIRouter(prefix="/productions", tags=["productions"])


@router.get("", summary="List productions, the latest first", response_model=Listing[Production])
def list_productions(
    service: ServiceDep,
    request: Request,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Production] | Response:
    with reading(service.sessions) as session:
        rows, last = read_page(
            session,
            select(models.Production),
            models.Production.id,
            limit=limit,
            after=after,
            newest_first=True,
        )
        items = [production_shape(row) for row in rows]
        page = Listing[Production](items=items, next=next_link(request, last))
    return select_fields(page, fields)


@router.get("/{production}", summary="Read one production", responses={404: {}})
def read_production(
    service: ServiceDep,
    production: Annotated[str, Path(max_length=200, description="Its name, folder name or id.")],
) -> Production:
    with reading(service.sessions) as session:
        return production_shape(find_production(session, production))


@router.post("", summary="Make a production", status_code=201, responses={409: {}})
def create_production(service: ServiceDep, body: NewProduction, response: Response) -> Production:
    with writing(service.sessions) as session:
        row = make_production(
            session,
            body.name,
            rate=Rate.parse(body.rate),
            zone=body.zone,
            day_starts=body.day_starts,
            drop_frame=body.drop_frame,
            language=body.language,
        )
        response.headers["Location"] = f"/api/v1/productions/{row.slug}"
        return production_shape(row)
