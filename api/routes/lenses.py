"""Lenses of the kit list."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy import select

from api.deps import AfterName, Limit, ProductionName, ServiceDep
from api.fields import Fields, select_fields
from api.paging import cut_page, next_link
from api.schemas.base import Listing
from api.schemas.kit import Lens, lens_shape
from shared import models
from shared.catalogue.productions import find_production
from shared.db import reading

router = APIRouter(prefix="/lenses", tags=["kit"])


@router.get("", summary="List a production's lenses", response_model=Listing[Lens], responses={404: {}})
def list_lenses(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterName = None,
    fields: Fields = None,
) -> Listing[Lens] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        # Sorted here and not by the database, whose order of letters may be another one.
        lenses = session.scalars(select(models.Lens).filter_by(production_id=found.id))
        rows, last = cut_page(lenses, lambda row: row.name, limit=limit, after=after)
        page = Listing[Lens](items=[lens_shape(row) for row in rows], next=next_link(request, last))
    return select_fields(page, fields)
