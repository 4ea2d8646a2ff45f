"""Lenses of the kit list."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy import select

from api.deps import AfterName, Limit, ProductionName, ServiceDep
from api.fields import Fields, select_fields
from api.paging import cut_page, next_link
from api.schemas.base import Listing
from api.schemas.kit import Lens, NewLens, lens_shape
from shared import models
from shared.catalogue.lenses import set_lens
from shared.catalogue.productions import find_production
from shared.db import reading, writing
from shared.errors import ConflictError, UsageError

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


@router.post("", status_code=201, summary="Add a lens to the kit list", responses={404: {}, 409: {}})
def create_lens(service: ServiceDep, body: NewLens, production: ProductionName = None) -> Lens:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        name = " ".join(body.name.split())
        if not name:
            raise UsageError("a lens needs a name", remedy="Write what stands on it, such as 35 mm.")
        if session.scalar(select(models.Lens).filter_by(production_id=found.id, name=name)) is not None:
            raise ConflictError(f"there is a lens {name} already", remedy="Give this one another name.")
        lens = set_lens(session, found, name, focal=body.focal or None, aperture=body.aperture or None)
        return lens_shape(lens)
