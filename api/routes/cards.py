"""Cards, and the folders in which one may be mounted now."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy import select

from api.deps import AfterId, AfterName, Limit, ServiceDep
from api.fields import Fields, select_fields
from api.paging import cut_page, next_link, read_page
from api.schemas.base import Listing
from api.schemas.kit import Card, card_shape
from api.schemas.work import CardFolder, card_folder_shape
from shared import models
from shared.card_folders import list_card_folders
from shared.db import reading

router = APIRouter(tags=["cards"])


@router.get("/cards", summary="List the cards that were ever offloaded", response_model=Listing[Card])
def list_cards(
    service: ServiceDep,
    request: Request,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Card] | Response:
    with reading(service.sessions) as session:
        rows, last = read_page(session, select(models.Card), models.Card.id, limit=limit, after=after)
        page = Listing[Card](items=[card_shape(row) for row in rows], next=next_link(request, last))
    return select_fields(page, fields)


@router.get(
    "/card-folders",
    summary="List the folders in which a card may be now",
    response_model=Listing[CardFolder],
)
def list_card_folders_now(
    service: ServiceDep,
    request: Request,
    limit: Limit = 100,
    after: AfterName = None,
    fields: Fields = None,
) -> Listing[CardFolder] | Response:
    found = list_card_folders(service.settings.watch_folders)
    folders, last = cut_page(found, lambda folder: folder.id, limit=limit, after=after)
    items = [card_folder_shape(folder) for folder in folders]
    return select_fields(Listing[CardFolder](items=items, next=next_link(request, last)), fields)
