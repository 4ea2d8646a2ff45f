"""Releases. They hold personal data: every call, reading too, needs a token that may edit the log."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import AfterId, CallerDep, Limit, ProductionName, RowId, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.reads.by_id import find_by_id
from api.schemas.base import Listing
from api.schemas.releases import Release, ReleaseBody, ReleasePatch, release_shape
from shared import models
from shared.catalogue.journal import Values
from shared.catalogue.productions import find_production
from shared.catalogue.release_standing import today_of
from shared.catalogue.releases import RELEASE, put_release, release_values
from shared.catalogue.rows import RowsEdit
from shared.db import reading, writing
from shared.errors import NotFoundError

router = APIRouter(prefix="/releases", tags=["releases"])


@router.get("", summary="List the releases", response_model=Listing[Release], responses={404: {}})
def list_releases(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Release] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows = select(models.Release).where(models.Release.production_id == found.id)
        releases, last = read_page(session, rows, models.Release.id, limit=limit, after=after)
        today = today_of(found)
        items = [release_shape(one, today) for one in releases]
        page = Listing[Release](items=items, next=next_link(request, last))
    return select_fields(page, fields)


@router.post("", status_code=201, summary="Note a release", responses={404: {}})
def post_release(
    service: ServiceDep,
    body: ReleaseBody,
    response: Response,
    caller: CallerDep,
    production: ProductionName = None,
) -> Release:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        values = _values(session, found, body, set(body.model_fields_set) | {"who", "kind"}, None)
        edit = RowsEdit(session, found, caller.name, "release")
        made = put_release(edit, None, values)
        edit.close()
        return _answer(session, made, response)


@router.get("/{id}", summary="Read one release", responses={404: {}})
def read_release(service: ServiceDep, id: RowId, response: Response) -> Release:
    with reading(service.sessions) as session:
        return _answer(session, _find(session, id), response)


@router.patch(
    "/{id}",
    summary="Change a release",
    description="`If-Match` must hold the ETag that was read.",
    responses={404: {}, 412: {}, 428: {}},
)
def patch_release(
    service: ServiceDep,
    id: RowId,
    patch: ReleasePatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Release:
    with writing(service.sessions) as session:
        release = _find(session, id, hold=True)
        check_if_match(if_match, _tag(session, release), lambda: _shape(release))
        production = release.production
        values = _values(session, production, patch, patch.model_fields_set, release)
        edit = RowsEdit(session, production, caller.name, f"release {release.id}")
        put_release(edit, release, values)
        edit.close()
        return _answer(session, release, response)


@router.delete(
    "/{id}",
    status_code=204,
    summary="Remove a release",
    description="`If-Match` must hold the ETag that was read. The paper stays in its folder.",
    responses={404: {}, 412: {}, 428: {}},
)
def delete_release(service: ServiceDep, id: RowId, caller: CallerDep, if_match: IfMatch = None) -> None:
    with writing(service.sessions) as session:
        release = _find(session, id, hold=True)
        check_if_match(if_match, _tag(session, release), lambda: _shape(release))
        edit = RowsEdit(session, release.production, caller.name, f"remove release {release.id}")
        edit.remove(RELEASE, release)
        edit.close()


def _values(
    session: Session,
    production: models.Production,
    body: ReleaseBody | ReleasePatch,
    named: set[str],
    release: models.Release | None,
) -> Values:
    given: dict[str, str] = {}
    for name in named - {"clips"}:
        value: Any = getattr(body, name)
        if isinstance(value, bool):
            given[name] = "yes" if value else "no"
        elif value is not None or name != "who":
            given[name] = "" if value is None else str(getattr(value, "value", value))
    values = release_values(session, production, given, release)
    if "clips" in named:
        ids = sorted(set(body.clips or ()))
        rows = select(models.Clip.id).where(
            models.Clip.id.in_(ids), models.Clip.production_id == production.id
        )
        there = set(session.scalars(rows))
        if missing := [key for key in ids if key not in there]:
            raise NotFoundError(f"there is no clip {missing[0]} here", remedy="List them: /api/v1/clips.")
        values["clips"] = ids
    return values


def _find(session: Session, number: int, *, hold: bool = False) -> models.Release:
    return find_by_id(session, models.Release, number, "release", listed="releases", hold=hold)


def _tag(session: Session, release: models.Release) -> str:
    return content_tag(release.id, sorted(RELEASE.read(session, release).items()))


def _answer(session: Session, release: models.Release, response: Response) -> Release:
    response.headers["ETag"] = _tag(session, release)
    response.headers["Cache-Control"] = "private, no-store"
    return _shape(release)


def _shape(release: models.Release) -> Release:
    return release_shape(release, today_of(release.production))
