"""Narration: its lines, with the time each takes to speak."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import AfterId, CallerDep, Limit, ProductionName, RowId, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.reads.by_id import find_by_id
from api.schemas.base import Listing
from api.schemas.plan import Line, LineBody, LinePatch, line_shape
from shared import models
from shared.catalogue.journal import Values
from shared.catalogue.plan import list_lines, put_line, read_thresholds, remove_line
from shared.catalogue.plan_kinds import LINE
from shared.catalogue.plan_values import line_values
from shared.catalogue.productions import find_production
from shared.catalogue.rows import RowsEdit
from shared.catalogue.wrap import describe_lines
from shared.db import reading, writing
from shared.plan.wishes import LineInfo

router = APIRouter(prefix="/narration", tags=["plan"])


@router.get("", summary="List the narration's lines", response_model=Listing[Line], responses={404: {}})
def list_narration(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Line] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows = select(models.NarrationLine).where(models.NarrationLine.production_id == found.id)
        lines, last = read_page(session, rows, models.NarrationLine.id, limit=limit, after=after)
        infos = _infos(session, found)
        items = [line_shape(one, infos[one.id]) for one in lines]
        page = Listing[Line](items=items, next=next_link(request, last))
    return select_fields(page, fields)


@router.post("", status_code=201, summary="Add a line", responses={404: {}, 409: {}})
def post_line(
    service: ServiceDep,
    body: LineBody,
    response: Response,
    caller: CallerDep,
    production: ProductionName = None,
) -> Line:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        edit = RowsEdit(session, found, caller.name, "narration: a line more")
        line = put_line(edit, None, _values(body, set(body.model_fields_set) | {"text"}))
        edit.close()
        return _answer(session, line, response)


@router.get("/{id}", summary="Read one line", responses={404: {}})
def read_line(service: ServiceDep, id: RowId, response: Response) -> Line:
    with reading(service.sessions) as session:
        return _answer(session, _find(session, id), response)


@router.patch(
    "/{id}",
    summary="Change a line",
    description="`If-Match` must hold the ETag that was read.",
    responses={404: {}, 409: {}, 412: {}, 428: {}},
)
def patch_line(
    service: ServiceDep,
    id: RowId,
    patch: LinePatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Line:
    with writing(service.sessions) as session:
        line = _find(session, id, hold=True)
        check_if_match(if_match, line_tag(session, line), lambda: _shape(session, line))
        values = _values(patch, patch.model_fields_set)
        edit = RowsEdit(session, line.production, caller.name, f"narration {line.code}")
        put_line(edit, line, values)
        edit.close()
        return _answer(session, line, response)


@router.delete(
    "/{id}",
    status_code=204,
    summary="Remove a line",
    description="`If-Match` must hold the ETag that was read. Wishes that it gave rise to stay.",
    responses={404: {}, 412: {}, 428: {}},
)
def delete_line(service: ServiceDep, id: RowId, caller: CallerDep, if_match: IfMatch = None) -> None:
    with writing(service.sessions) as session:
        line = _find(session, id, hold=True)
        check_if_match(if_match, line_tag(session, line), lambda: _shape(session, line))
        edit = RowsEdit(session, line.production, caller.name, f"remove narration {line.code}")
        remove_line(edit, line)
        edit.close()


def _values(body: LineBody | LinePatch, named: set[str]) -> Values:
    given = {
        name: getattr(body, name) or ""
        for name in named - {"recorded_seconds"}
        if name != "code" or body.code is not None
    }
    values = line_values(given)
    if "recorded_seconds" in named:
        seconds = body.recorded_seconds
        values["recorded_ms"] = None if seconds is None else max(1, round(seconds * 1000))
    return values


def _find(session: Session, number: int, *, hold: bool = False) -> models.NarrationLine:
    return find_by_id(session, models.NarrationLine, number, "narration line", listed="narration", hold=hold)


def _infos(session: Session, production: models.Production) -> dict[int, LineInfo]:
    """Of all lines: the pace is what the recorded ones tell."""
    rows = list_lines(session, production)
    found = describe_lines(rows, production.language, read_thresholds(session, production))
    return {one.id: one for one in found}


def line_tag(session: Session, line: models.NarrationLine) -> str:
    return content_tag(line.id, sorted(LINE.read(session, line).items()))


def _answer(session: Session, line: models.NarrationLine, response: Response) -> Line:
    response.headers["ETag"] = line_tag(session, line)
    response.headers["Cache-Control"] = "private, no-cache"
    return _shape(session, line)


def _shape(session: Session, line: models.NarrationLine) -> Line:
    return line_shape(line, _infos(session, line.production)[line.id])
