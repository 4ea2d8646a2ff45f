"""Tags and people: how often they are used, and their names corrected for every clip at once."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import AfterId, CallerDep, Limit, ProductionName, RowId, ServiceDep
from api.etags import IfMatch, check_if_match
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.schemas.base import Body, Listing, Shape
from api.schemas.names import Person, PersonPatch, Tag, TagPatch, given, person_shape, row_tag, tag_shape
from shared import models
from shared.catalogue.named_rows import NAMED, count_uses
from shared.catalogue.productions import find_production
from shared.catalogue.rows import RowsEdit
from shared.db import reading, writing
from shared.errors import NotFoundError

router = APIRouter(tags=["log"])

_SHAPES: dict[str, Any] = {"tag": tag_shape, "person": person_shape}
_EDITED = (
    "`If-Match` must hold the ETag that was read. Every clip that has it follows; an undo takes it back."
)
_ANSWERS: dict[int | str, dict[str, Any]] = {404: {}, 409: {}, 412: {}, 428: {}}


@router.get("/tags", summary="List the tags in use", response_model=Listing[Tag], responses={404: {}})
def list_tags(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Tag] | Response:
    return _list(service, "tag", Listing[Tag], request, production, limit, after, fields)


@router.get("/people", summary="List the people", response_model=Listing[Person], responses={404: {}})
def list_people(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Person] | Response:
    return _list(service, "person", Listing[Person], request, production, limit, after, fields)


@router.get("/tags/{id}", summary="Read one tag", response_model=Tag, responses={404: {}})
def read_tag(service: ServiceDep, id: RowId, response: Response) -> Shape:
    return _read(service, "tag", id, response)


@router.get("/people/{id}", summary="Read one person", response_model=Person, responses={404: {}})
def read_person(service: ServiceDep, id: RowId, response: Response) -> Shape:
    return _read(service, "person", id, response)


@router.patch(
    "/tags/{id}", summary="Rename a tag", description=_EDITED, response_model=Tag, responses=_ANSWERS
)
def patch_tag(
    service: ServiceDep,
    id: RowId,
    patch: TagPatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Shape:
    return _change(service, "tag", id, patch, response, caller.name, if_match)


@router.patch(
    "/people/{id}", summary="Change a person", description=_EDITED, response_model=Person, responses=_ANSWERS
)
def patch_person(
    service: ServiceDep,
    id: RowId,
    patch: PersonPatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Shape:
    return _change(service, "person", id, patch, response, caller.name, if_match)


def _list(
    service: ServiceDep,
    field: str,
    page: type[Listing[Any]],
    request: Request,
    production: str | None,
    limit: int,
    after: int | None,
    fields: str | None,
) -> Response:
    model = NAMED[field].model
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows = select(model).where(model.production_id == found.id)
        named, last = read_page(session, rows, model.id, limit=limit, after=after)
        uses = count_uses(session, found, field)
        items = [_SHAPES[field](row, uses.get(row.id, 0)) for row in named]
        made = page(items=items, next=next_link(request, last))
    return select_fields(made, fields)


def _read(service: ServiceDep, field: str, key: int, response: Response) -> Shape:
    with reading(service.sessions) as session:
        return _answer(session, field, _find(session, field, key), response)


def _change(
    service: ServiceDep, field: str, key: int, patch: Body, response: Response, by: str, if_match: str | None
) -> Shape:
    with writing(service.sessions) as session:
        row = _find(session, field, key, hold=True)
        standing = _answer(session, field, row, response)
        check_if_match(if_match, response.headers["ETag"], lambda: standing)
        production = session.get_one(models.Production, row.production_id)
        values = given(patch)
        edit = RowsEdit(
            session, production, by, f"{field} {row.name}: {', '.join(map(str, values.values()))}"
        )
        edit.put(NAMED[field], row.id, values)
        edit.close()
        return _answer(session, field, row, response)


def _find(session: Session, field: str, key: int, *, hold: bool = False) -> Any:
    model = NAMED[field].model
    rows = select(model).where(model.id == key)
    row = session.scalar(rows.with_for_update() if hold else rows)
    if row is None:
        raise NotFoundError(f"there is no {field} {key}", remedy="List them first.")
    return row


def _answer(session: Session, field: str, row: Any, response: Response) -> Shape:
    response.headers["ETag"] = row_tag(row)
    response.headers["Cache-Control"] = "private, no-cache"
    production = session.get_one(models.Production, row.production_id)
    shape: Shape = _SHAPES[field](row, count_uses(session, production, field).get(row.id, 0))
    return shape
