"""Outlines: made, read with running time and notices, their shape, and their versions."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import AfterId, CallerDep, Limit, ProductionName, RowId, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.reads.by_id import find_by_id
from api.schemas.base import Listing
from api.schemas.outlines import (
    Outline,
    OutlineBody,
    OutlineComparison,
    OutlineHead,
    OutlinePatch,
    OutlineShape,
    OutlineVersion,
    VersionBody,
    head_shape,
    outline_shape,
    version_shape,
)
from shared import models
from shared.catalogue.outline_kinds import read_outline_row
from shared.catalogue.outline_rows import Contents, read_contents, read_outline_state
from shared.catalogue.outlines import (
    NOW,
    change_outline,
    compare_versions,
    keep_version,
    list_versions,
    make_outline,
    remove_outline,
    remove_version,
    return_to,
)
from shared.catalogue.productions import find_production
from shared.catalogue.rows import RowsEdit
from shared.db import reading, writing
from shared.errors import NotFoundError
from shared.outline.judge import STITCHED
from shared.outline.tell import outline_json
from shared.plan.thresholds import PRACTICE

router = APIRouter(tags=["outline"])

Earlier = Annotated[
    str | None,
    Query(max_length=200, description="A version's name; without it the one that was kept last."),
]
Later = Annotated[str, Query(max_length=200, description="A version's name, or `now`.")]


@router.get(
    "/outlines", summary="List the outlines", response_model=Listing[OutlineHead], responses={404: {}}
)
def list_outlines(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[OutlineHead] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows = select(models.Outline).where(models.Outline.production_id == found.id)
        outlines, last = read_page(session, rows, models.Outline.id, limit=limit, after=after)
        items = [head_shape(one) for one in outlines]
        page = Listing[OutlineHead](items=items, next=next_link(request, last))
    return select_fields(page, fields)


@router.post("/outlines", status_code=201, summary="Make an outline", responses={404: {}, 409: {}})
def post_outline(
    service: ServiceDep,
    body: OutlineBody,
    response: Response,
    caller: CallerDep,
    production: ProductionName = None,
) -> Outline:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        edit = RowsEdit(session, found, caller.name, f"outline {body.name}")
        row = make_outline(edit, body.name, body.target_seconds)
        edit.close()
        return _answer(session, row, response)


@router.get("/outlines/{id}", summary="Read one outline, with its running time", responses={404: {}})
def read_outline(service: ServiceDep, id: RowId, response: Response) -> Outline:
    with reading(service.sessions) as session:
        return _answer(session, find_row(session, id), response)


@router.patch(
    "/outlines/{id}",
    summary="Rename an outline, or set its target",
    description="`If-Match` must hold the ETag that was read.",
    responses={404: {}, 409: {}, 412: {}, 428: {}},
)
def patch_outline(
    service: ServiceDep,
    id: RowId,
    patch: OutlinePatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Outline:
    with writing(service.sessions) as session:
        row = find_row(session, id, hold=True)
        check_if_match(if_match, outline_tag(session, row), lambda: _shape(session, row))
        given = patch.model_dump(include=patch.model_fields_set)
        if given.get("name", "") is None:
            given["name"] = ""
        edit = RowsEdit(session, row.production, caller.name, f"outline {row.name} {' '.join(sorted(given))}")
        change_outline(edit, row, given)
        edit.close()
        return _answer(session, row, response)


@router.delete(
    "/outlines/{id}",
    status_code=204,
    summary="Remove an outline",
    description="`If-Match` must hold the ETag that was read. An undo brings it back, with all in it.",
    responses={404: {}, 412: {}, 428: {}},
)
def delete_outline(service: ServiceDep, id: RowId, caller: CallerDep, if_match: IfMatch = None) -> None:
    with writing(service.sessions) as session:
        row = find_row(session, id, hold=True)
        check_if_match(if_match, outline_tag(session, row), lambda: _shape(session, row))
        edit = RowsEdit(session, row.production, caller.name, f"remove outline {row.name}")
        remove_outline(edit, row)
        edit.close()


@router.get(
    "/outlines/{id}/shape",
    summary="The shape of an outline over running time: kind, pace, speaker, music, sound level",
    responses={404: {}},
)
def read_outline_shape(service: ServiceDep, id: RowId) -> OutlineShape:
    with reading(service.sessions) as session:
        row = find_row(session, id)
        shape = read_outline_state(session, row.production, row, cutaways=0).shape
        return OutlineShape.model_validate(shape.as_json() | {"practice": PRACTICE})


@router.get("/outlines/{id}/versions", summary="List the versions that are kept", responses={404: {}})
def list_outline_versions(service: ServiceDep, id: RowId) -> Listing[OutlineVersion]:
    with reading(service.sessions) as session:
        rows = list_versions(session, find_row(session, id))
        return Listing[OutlineVersion](items=[version_shape(one) for one in rows])


@router.post(
    "/outlines/{id}/versions",
    status_code=201,
    summary="Keep the outline as it stands under a name",
    responses={404: {}, 409: {}},
)
def post_outline_version(
    service: ServiceDep, id: RowId, body: VersionBody, caller: CallerDep
) -> OutlineVersion:
    with writing(service.sessions) as session:
        row = find_row(session, id, hold=True)
        edit = RowsEdit(session, row.production, caller.name, f"keep {row.name} as {body.name}")
        version = keep_version(edit, row, body.name)
        edit.close()
        return version_shape(version)


@router.get("/outlines/{id}/compare", summary="Compare two versions", responses={404: {}})
def compare_outline(
    service: ServiceDep, id: RowId, earlier: Earlier = None, later: Later = NOW
) -> OutlineComparison:
    with reading(service.sessions) as session:
        row = find_row(session, id)
        if earlier is None:
            earlier = next((one.name for one in reversed(list_versions(session, row))), "")
        found = compare_versions(session, row.production, row, earlier, later)
        return OutlineComparison.model_validate(found.as_json())


@router.post(
    "/outline-versions/{id}/return",
    summary="Make the outline what it was when this version was kept",
    description="`If-Match` must hold the outline's ETag. One edit, undone as a whole.",
    responses={404: {}, 409: {}, 412: {}, 428: {}},
)
def return_outline(
    service: ServiceDep, id: RowId, response: Response, caller: CallerDep, if_match: IfMatch = None
) -> Outline:
    with writing(service.sessions) as session:
        version = _find_version(session, id)
        row = find_row(session, version.outline_id, hold=True)
        check_if_match(if_match, outline_tag(session, row), lambda: _shape(session, row))
        edit = RowsEdit(session, row.production, caller.name, f"{row.name} as it was as {version.name}")
        return_to(edit, row, version)
        edit.close()
        return _answer(session, row, response)


@router.delete(
    "/outline-versions/{id}",
    status_code=204,
    summary="Let a version go",
    description="`If-Match` must be *, as a version never changes.",
    responses={404: {}, 412: {}, 428: {}},
)
def delete_outline_version(
    service: ServiceDep, id: RowId, caller: CallerDep, if_match: IfMatch = None
) -> None:
    with writing(service.sessions) as session:
        version = _find_version(session, id)
        tag = content_tag(version.id, version.name)
        check_if_match(if_match, tag, lambda: version_shape(version))
        outline = version.outline
        edit = RowsEdit(session, outline.production, caller.name, f"let version {version.name} go")
        remove_version(edit, version)
        edit.close()


def find_row(session: Session, number: int, *, hold: bool = False) -> models.Outline:
    """Raises NotFoundError. `hold`: nobody else changes it or its items until the transaction ends."""
    return find_by_id(session, models.Outline, number, "outline", listed="outlines", hold=hold)


def _find_version(session: Session, number: int) -> models.OutlineVersion:
    version = session.get(models.OutlineVersion, number)
    if version is None:
        raise NotFoundError(f"there is no version {number}", remedy="List those of the outline.")
    return version


def outline_tag(session: Session, row: models.Outline, contents: Contents | None = None) -> str:
    """Another one when the outline or any item of it is another one. `contents`: as they were just read."""
    read = read_contents(session, row) if contents is None else contents
    items = [(key, sorted(values.items())) for key, values in read]
    return content_tag(row.id, sorted(read_outline_row(session, row).items()), items)


def _shape(session: Session, row: models.Outline) -> Outline:
    state = read_outline_state(session, row.production, row)
    return outline_shape(outline_json(state.layout, state.judgement), STITCHED)


def _answer(session: Session, row: models.Outline, response: Response) -> Outline:
    response.headers["ETag"] = outline_tag(session, row)
    response.headers["Cache-Control"] = "private, no-cache"
    return _shape(session, row)
