"""Lenses of the kit list."""

from __future__ import annotations

from fastapi import APIRouter
from sqlalchemy import select

from api.deps import ProductionName, ServiceDep
from api.schemas.base import Listing
from api.schemas.kit import Lens, lens_shape
from shared import models
from shared.catalogue.productions import find_production
from shared.db import reading

router = APIRouter(prefix="/lenses", tags=["kit"])


@router.get("", summary="List a production's lenses", responses={404: {}})
def list_lenses(service: ServiceDep, production: ProductionName = None) -> Listing[Lens]:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows = select(models.Lens).filter_by(production_id=found.id).order_by(models.Lens.name)
        return Listing(items=[lens_shape(row) for row in session.scalars(rows)])
