"""Findings: what measurements noticed in a clip."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import joinedload

from api.deps import AfterId, Limit, RowId, ServiceDep
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.reads.clips import check_clip, findings_of
from api.schemas.base import Listing
from api.schemas.clips import Finding, finding_shape
from shared import models
from shared.db import reading

router = APIRouter(prefix="/clips/{id}/findings", tags=["clips"])


@router.get(
    "",
    summary="List a clip's findings, its files' and dismissed ones among them",
    response_model=Listing[Finding],
    responses={404: {}},
)
def list_findings(
    service: ServiceDep,
    request: Request,
    id: RowId,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Finding] | Response:
    with reading(service.sessions) as session:
        check_clip(session, id)
        rows, last = read_page(
            session,
            findings_of(id).options(joinedload(models.Finding.file)),
            models.Finding.id,
            limit=limit,
            after=after,
        )
        page = Listing[Finding](items=[finding_shape(row) for row in rows], next=next_link(request, last))
    return select_fields(page, fields)
