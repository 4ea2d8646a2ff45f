"""Whether the service lives, and whether it can work."""

from __future__ import annotations

from fastapi import APIRouter

from api.deps import ServiceDep
from api.schemas.service import Health, Readiness
from shared.db import HEAD, check_revision

router = APIRouter(tags=["service"])


@router.get("/health", summary="Whether the service lives")
async def read_health() -> Health:
    return Health()


@router.get("/ready", summary="Whether the catalogue is there, with the schema this program knows")
def read_readiness(service: ServiceDep) -> Readiness:
    check_revision(service.sessions.kw["bind"])
    return Readiness(schema_revision=HEAD)
