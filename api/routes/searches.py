"""Searches that somebody keeps under a name."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy import select

from api.deps import AfterId, Limit, ProductionName, RowId, ServiceDep
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.schemas.base import Listing
from api.schemas.log import NewSearch, Search, search_shape
from shared import models
from shared.catalogue.productions import find_production
from shared.catalogue.searches import drop_search, keep_search
from shared.db import reading, writing

router = APIRouter(prefix="/searches", tags=["clips"])


@router.get(
    "", summary="List the searches that are kept", response_model=Listing[Search], responses={404: {}}
)
def list_searches(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Search] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows, last = read_page(
            session,
            select(models.SavedSearch).where(models.SavedSearch.production_id == found.id),
            models.SavedSearch.id,
            limit=limit,
            after=after,
        )
        page = Listing[Search](items=[search_shape(row) for row in rows], next=next_link(request, last))
    return select_fields(page, fields)


@router.post("", status_code=201, summary="Keep a search under a name", responses={404: {}, 409: {}})
def post_search(service: ServiceDep, body: NewSearch, production: ProductionName = None) -> Search:
    with writing(service.sessions) as session:
        return search_shape(keep_search(session, find_production(session, production), body.name, body.query))


@router.delete("/{id}", status_code=204, summary="Let a kept search go", responses={404: {}})
def delete_search(service: ServiceDep, id: RowId) -> None:
    with writing(service.sessions) as session:
        drop_search(session, id)
