"""Destinations that a request may name."""

from __future__ import annotations

from fastapi import APIRouter

from api.deps import ServiceDep
from api.schemas.base import Listing
from api.schemas.work import Destination

router = APIRouter(prefix="/destinations", tags=["offloads"])


@router.get("", summary="List the destinations of the settings by name")
async def list_destinations(service: ServiceDep) -> Listing[Destination]:
    return Listing(items=[Destination(name=name) for name in sorted(service.settings.destinations)])
