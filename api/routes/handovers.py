"""Hand-overs: the request for one, and those that were asked for."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy import select

from api.deps import AfterId, Limit, ServiceDep
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.schemas import work
from api.schemas.base import Listing
from shared import models
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.catalogue.requests import file_request
from shared.catalogue.search import find_clips
from shared.db import reading, writing
from shared.errors import UsageError
from shared.models import RequestKind

router = APIRouter(prefix="/handovers", tags=["hand-overs"])


@router.get(
    "",
    summary="List the hand-overs that were asked for, the latest first",
    response_model=Listing[work.Request],
)
def list_handovers(
    service: ServiceDep,
    request: Request,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[work.Request] | Response:
    with reading(service.sessions) as session:
        found, last = read_page(
            session,
            select(models.Request).where(models.Request.kind == RequestKind.HANDOVER),
            models.Request.id,
            limit=limit,
            after=after,
            newest_first=True,
        )
        items = [work.request_shape(row) for row in found]
        page = Listing[work.Request](items=items, next=next_link(request, last))
    return select_fields(page, fields)


@router.post(
    "",
    summary="Ask for a hand-over folder",
    description="Files a request, which a worker carries out; its `result` then names the folder.",
    status_code=202,
    responses={404: {}},
)
def request_handover(service: ServiceDep, body: work.HandoverOrder, response: Response) -> work.Request:
    with writing(service.sessions) as session:
        production = find_production(session, body.production)
        vocabulary = production_vocabulary(session, production, service.vocabulary)
        if find_clips(session, production, body.query, vocabulary, limit=1).total == 0:
            raise UsageError("no clip is found by this query", remedy="Change it; an empty one finds all.")
        order: dict[str, Any] = {"query": body.query, "production": production.slug}
        if body.leave_out:
            order["leave_out"] = [*body.leave_out]
        row = file_request(session, RequestKind.HANDOVER, order)
        response.headers["Location"] = f"/api/v1/requests/{row.id}"
        return work.request_shape(row)
