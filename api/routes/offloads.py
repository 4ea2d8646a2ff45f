"""Offloads: what was copied when, and the request for another."""

from __future__ import annotations

from collections.abc import Iterator
from io import BytesIO
from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session, contains_eager, joinedload
from starlette.responses import StreamingResponse

from api.deps import AfterId, Limit, ProductionName, RowId, Service, ServiceDep
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.report import CONTENT_POLICY, OffloadSheet, draw_pdf, read_sheet, render_html
from api.schemas import work
from api.schemas.base import Listing
from api.schemas.reels import Offload, OffloadSummary, offload_shape, offload_summary
from shared import models
from shared.card_folders import find_card_folder
from shared.catalogue.productions import find_day, find_production
from shared.catalogue.requests import file_request, open_requests
from shared.db import reading, writing
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import RequestKind
from shared.settings import Settings

router = APIRouter(prefix="/offloads", tags=["offloads"])

_PAGE: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The page: one file with its style inside, without script or anything from elsewhere",
        "content": {"text/html": {"schema": {"type": "string"}}},
    },
    404: {},
}
_PDF: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The report on A4 pages",
        "content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}},
    },
    404: {},
}


@router.get(
    "",
    summary="List a production's offloads, the latest first",
    response_model=Listing[OffloadSummary],
    responses={404: {}},
)
def list_offloads(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[OffloadSummary] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows, last = read_page(
            session,
            select(models.Offload)
            .join(models.Offload.reel)
            .where(models.Reel.production_id == found.id)
            .options(contains_eager(models.Offload.reel).joinedload(models.Reel.production)),
            models.Offload.id,
            limit=limit,
            after=after,
            newest_first=True,
        )
        items = [offload_summary(row) for row in rows]
        page = Listing[OffloadSummary](items=items, next=next_link(request, last))
    return select_fields(page, fields)


@router.get("/{id}", summary="Read one offload with its report", responses={404: {}})
def read_offload(service: ServiceDep, id: RowId) -> Offload:
    with reading(service.sessions) as session:
        return offload_shape(_find(session, id))


@router.get(
    "/{id}/report.html",
    summary="Read an offload's report as a page",
    description="What was recorded when the offload ended: card, copies, times, problems, every file. Its "
    "answer to whether the card may be formatted is of that moment.",
    response_class=Response,
    responses=_PAGE,
)
def read_report_page(service: ServiceDep, id: RowId) -> Response:
    sheet = _read_sheet(service, id)
    headers = _headers(sheet, "html") | {"Content-Security-Policy": CONTENT_POLICY}
    pieces: Iterator[bytes] = (piece.encode() for piece in render_html(sheet))
    return StreamingResponse(pieces, media_type="text/html; charset=utf-8", headers=headers)


@router.get(
    "/{id}/report.pdf",
    summary="Read an offload's report as a PDF",
    description="The same report to print and to keep. Of very many files it lists those that need a look "
    "first, and says how many it leaves to the page.",
    response_class=Response,
    responses=_PDF,
)
def read_report_pdf(service: ServiceDep, id: RowId) -> Response:
    sheet = _read_sheet(service, id)
    pdf = BytesIO()
    draw_pdf(sheet, pdf)
    return Response(pdf.getvalue(), media_type="application/pdf", headers=_headers(sheet, "pdf"))


@router.post(
    "",
    summary="Ask for a card to be offloaded",
    description="Files a request, which a worker carries out; `Location` says where to see how far it is.",
    status_code=202,
    responses={404: {}, 409: {}},
)
def request_offload(service: ServiceDep, body: work.OffloadOrder, response: Response) -> work.Request:
    _check_destinations(service.settings, body.to)
    card = str(find_card_folder(service.settings.watch_folders, body.card).path)
    with writing(service.sessions) as session:
        production = find_production(session, body.production)
        if body.day is not None:
            find_day(session, production, body.day)
        _check_not_asked_yet(session, production, card)
        order = {
            "card": card,
            "to": body.to,
            "production": production.slug,
            "camera": body.camera,
            "reel": body.reel,
            "day": body.day,
        }
        row = file_request(session, RequestKind.OFFLOAD, order)
        response.headers["Location"] = f"/api/v1/requests/{row.id}"
        return work.request_shape(row)


def _find(session: Session, id: int) -> models.Offload:
    with_reel = joinedload(models.Offload.reel).joinedload(models.Reel.production)
    row = session.get(models.Offload, id, options=[with_reel])
    if row is None:
        raise NotFoundError(f"there is no offload {id}", remedy="List the offloads and use their ids.")
    return row


def _read_sheet(service: Service, id: int) -> OffloadSheet:
    with reading(service.sessions) as session:
        return read_sheet(_find(session, id))


def _headers(sheet: OffloadSheet, suffix: str) -> dict[str, str]:
    """Shown in the browser, and saved under the name that the command would give it."""
    return {"Content-Disposition": f'inline; filename="{sheet.stem}.{suffix}"'}


def _check_destinations(settings: Settings, names: list[str]) -> None:
    unknown = [name for name in names if name not in settings.destinations]
    if unknown:
        there = ", ".join(sorted(settings.destinations))
        raise NotFoundError(
            f"no destination is named {unknown[0]}",
            remedy=f"There is: {there}." if there else "Name folders under [destinations] in config.toml.",
        )
    if len(set(names)) < len(names):
        raise UsageError("a destination is named twice", remedy="Name each once.")


def _check_not_asked_yet(session: Session, production: models.Production, card: str) -> None:
    # Two who ask at once pass here one after the other. SQLite has one writer anyway.
    session.scalar(select(models.Production.id).filter_by(id=production.id).with_for_update())
    for request in open_requests(session, RequestKind.OFFLOAD):
        if request.order.get("card") == card:
            raise ConflictError(
                f"this card is already asked for, in request {request.id}",
                remedy="Wait until that one is done or failed.",
            )
