"""Reels, with how their copies stand."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import joinedload

from api.deps import AfterId, Limit, ProductionName, RowId, ServiceDep
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.reads.copies import count_copies
from api.schemas.base import Listing
from api.schemas.reels import Reel, reel_shape
from shared import models
from shared.catalogue.productions import find_production
from shared.db import reading
from shared.errors import NotFoundError

router = APIRouter(prefix="/reels", tags=["reels"])

_WITH_ALL = (
    joinedload(models.Reel.camera),
    joinedload(models.Reel.day),
    joinedload(models.Reel.card),
)


@router.get(
    "",
    summary="List a production's reels with how their copies stand",
    response_model=Listing[Reel],
    responses={404: {}},
)
def list_reels(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Reel] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows, last = read_page(
            session,
            select(models.Reel).where(models.Reel.production_id == found.id).options(*_WITH_ALL),
            models.Reel.id,
            limit=limit,
            after=after,
        )
        copies = count_copies(session, [row.id for row in rows])
        items = [reel_shape(row, copies[row.id]) for row in rows]
        page = Listing[Reel](items=items, next=next_link(request, last))
    return select_fields(page, fields)


@router.get("/{id}", summary="Read one reel with how its copies stand", responses={404: {}})
def read_reel(service: ServiceDep, id: RowId) -> Reel:
    with reading(service.sessions) as session:
        row = session.get(models.Reel, id, options=_WITH_ALL)
        if row is None:
            raise NotFoundError(f"there is no reel {id}", remedy="List the reels and use their ids.")
        return reel_shape(row, count_copies(session, [row.id])[row.id])
