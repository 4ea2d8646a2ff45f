"""Cards, and the folders in which one may be mounted now."""

from __future__ import annotations

from fastapi import APIRouter, Request
from sqlalchemy import select

from api.deps import AfterId, Limit, ServiceDep
from api.paging import next_link, read_page
from api.schemas.base import Listing
from api.schemas.kit import Card, card_shape
from api.schemas.work import CardFolder, card_folder_shape
from shared import models
from shared.card_folders import list_card_folders
from shared.db import reading

router = APIRouter(tags=["cards"])


@router.get("/cards", summary="List the cards that were ever offloaded")
def list_cards(
    service: ServiceDep, request: Request, limit: Limit = 100, after: AfterId = None
) -> Listing[Card]:
    with reading(service.sessions) as session:
        rows, last = read_page(session, select(models.Card), models.Card.id, limit=limit, after=after)
        return Listing(items=[card_shape(row) for row in rows], next=next_link(request, last))


@router.get("/card-folders", summary="List the folders in which a card may be now")
def list_card_folders_now(service: ServiceDep) -> Listing[CardFolder]:
    found = list_card_folders(service.settings.watch_folders)
    return Listing(items=[card_folder_shape(folder) for folder in found])
