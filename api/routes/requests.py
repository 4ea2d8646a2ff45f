"""Requests that a worker carries out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import select

from api.deps import AfterId, Limit, RowId, ServiceDep
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.schemas import work
from api.schemas.base import Listing
from shared import models
from shared.catalogue.requests import find_request
from shared.db import reading
from shared.models import RequestKind, RequestState

router = APIRouter(prefix="/requests", tags=["requests"])


@router.get("", summary="List requests, the latest first", response_model=Listing[work.Request])
def list_requests(
    service: ServiceDep,
    request: Request,
    state: Annotated[RequestState | None, Query(description="Only those in this state.")] = None,
    kind: Annotated[RequestKind | None, Query(description="Only those of this kind.")] = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[work.Request] | Response:
    rows = select(models.Request)
    if state is not None:
        rows = rows.where(models.Request.state == state)
    if kind is not None:
        rows = rows.where(models.Request.kind == kind)
    with reading(service.sessions) as session:
        found, last = read_page(session, rows, models.Request.id, limit=limit, after=after, newest_first=True)
        items = [work.request_shape(row) for row in found]
        page = Listing[work.Request](items=items, next=next_link(request, last))
    return select_fields(page, fields)


@router.get("/{id}", summary="Read one request and how far it is", responses={404: {}})
def read_request(service: ServiceDep, id: RowId) -> work.Request:
    with reading(service.sessions) as session:
        return work.request_shape(find_request(session, id))
