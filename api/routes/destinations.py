"""Destinations that a request may name."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from api.deps import AfterName, Limit, ServiceDep
from api.fields import Fields, select_fields
from api.paging import cut_page, next_link
from api.schemas.base import Listing
from api.schemas.work import Destination

router = APIRouter(prefix="/destinations", tags=["offloads"])


@router.get("", summary="List the destinations of the settings by name", response_model=Listing[Destination])
async def list_destinations(
    service: ServiceDep,
    request: Request,
    limit: Limit = 100,
    after: AfterName = None,
    fields: Fields = None,
) -> Listing[Destination] | Response:
    names, last = cut_page(service.settings.destinations, str, limit=limit, after=after)
    items = [Destination(name=name) for name in names]
    return select_fields(Listing[Destination](items=items, next=next_link(request, last)), fields)
