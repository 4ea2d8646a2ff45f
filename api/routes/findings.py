"""Findings: what measurements noticed in a clip, and putting one away with a reason."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from api.deps import AfterId, CallerDep, Limit, RowId, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.reads.clips import check_clip, findings_of
from api.schemas.base import Listing
from api.schemas.clips import Finding, FindingPatch, finding_shape
from shared import models
from shared.catalogue.findings import dismiss_findings
from shared.db import reading, writing
from shared.errors import NotFoundError

router = APIRouter(tags=["clips"])


@router.get(
    "/clips/{id}/findings",
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


@router.get("/findings/{id}", summary="Read one finding", responses={404: {}})
def read_finding(service: ServiceDep, id: RowId, response: Response) -> Finding:
    with reading(service.sessions) as session:
        return _answer(_find(session, id), response)


@router.patch(
    "/findings/{id}",
    summary="Dismiss a finding with a reason, or bring it back",
    description="`If-Match` must hold the ETag that was read. The journal keeps it: an undo brings it back.",
    responses={404: {}, 412: {}, 428: {}},
)
def patch_finding(
    service: ServiceDep,
    id: RowId,
    patch: FindingPatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Finding:
    with writing(service.sessions) as session:
        row = _find(session, id, hold=True)
        check_if_match(if_match, finding_tag(row), lambda: _answer(row, response))
        dismiss_findings(session, _production_of(row), [id], patch.dismissed, caller.name)
        return _answer(row, response)


def _find(session: Session, number: int, *, hold: bool = False) -> models.Finding:
    rows = select(models.Finding).where(models.Finding.id == number)
    row = session.scalar(rows.with_for_update() if hold else rows)
    if row is None:
        raise NotFoundError(
            f"there is no finding {number}",
            remedy="List those of its clip; one that holds no longer goes when it is judged again.",
        )
    return row


def _production_of(row: models.Finding) -> models.Production:
    if row.clip is not None:
        return row.clip.production
    assert row.file is not None, "a finding is of a clip or of a file"
    return row.file.reel.production


def finding_tag(row: models.Finding) -> str:
    return content_tag(row.id, row.code, row.message, row.in_frame, row.out_frame, row.dismissed)


def _answer(row: models.Finding, response: Response) -> Finding:
    response.headers["ETag"] = finding_tag(row)
    response.headers["Cache-Control"] = "private, no-cache"
    return finding_shape(row)
