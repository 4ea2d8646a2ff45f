"""Moments of a clip: marked ranges with a log entry of their own."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import CallerDep, Limit, RowId, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.fields import Fields, select_fields
from api.paging import next_link
from api.reads.clips import check_clip
from api.schemas.base import Listing
from api.schemas.edits import Moment, MomentBody, MomentPatch, moment_shape
from api.schemas.log import changes_of
from shared import models
from shared.catalogue.log import production_vocabulary
from shared.catalogue.moments import (
    MomentEdit,
    change_moment,
    list_moments,
    make_moment,
    remove_moment,
)
from shared.db import reading, writing
from shared.errors import NotFoundError

router = APIRouter(tags=["log"])


@router.get(
    "/clips/{id}/moments",
    summary="List a clip's moments, in order",
    response_model=Listing[Moment],
    responses={404: {}},
)
def list_clip_moments(
    service: ServiceDep,
    id: RowId,
    request: Request,
    limit: Limit = 100,
    after: Annotated[
        str | None,
        Query(max_length=40, pattern="^[0-9]{1,16}-[0-9]{1,19}$", description="`next` of the page before."),
    ] = None,
    fields: Fields = None,
) -> Listing[Moment] | Response:
    with reading(service.sessions) as session:
        check_clip(session, id)
        pairs = list_moments(session, session.get_one(models.Clip, id))
        if after is not None:
            first = tuple(map(int, after.split("-")))
            pairs = [pair for pair in pairs if (pair[0].in_frame, pair[0].id) > first]
        shown = pairs[:limit]
        last = f"{shown[-1][0].in_frame}-{shown[-1][0].id}" if len(pairs) > limit else None
        page = Listing[Moment](items=[moment_shape(*pair) for pair in shown], next=next_link(request, last))
    return select_fields(page, fields)


@router.post("/clips/{id}/moments", status_code=201, summary="Mark a moment", responses={404: {}, 409: {}})
def post_moment(
    service: ServiceDep, id: RowId, body: MomentBody, response: Response, caller: CallerDep
) -> Moment:
    with writing(service.sessions) as session:
        check_clip(session, id)
        clip = session.get_one(models.Clip, id)
        vocabulary = production_vocabulary(session, clip.production, service.vocabulary)
        edit = MomentEdit(body.in_frame, body.out_frame, body.name, changes_of(body.log, vocabulary))
        moment = make_moment(session, clip, clip.production, edit, vocabulary, caller.name)
        return _answer(session, moment, response)


@router.get("/moments/{id}", summary="Read one moment", responses={404: {}})
def read_moment(service: ServiceDep, id: RowId, response: Response) -> Moment:
    with reading(service.sessions) as session:
        return _answer(session, _find(session, id), response)


@router.patch(
    "/moments/{id}",
    summary="Change a moment",
    description="A merge patch, as for a clip's log entry. `If-Match` must hold the ETag that was read.",
    responses={404: {}, 412: {}, 428: {}},
)
def patch_moment(
    service: ServiceDep,
    id: RowId,
    patch: MomentPatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Moment:
    with writing(service.sessions) as session:
        moment = _find(session, id, hold=True)
        _check(session, moment, if_match)
        production = moment.clip.production
        vocabulary = production_vocabulary(session, production, service.vocabulary)
        changes = changes_of(patch.log, vocabulary) if patch.log is not None else ()
        edit = MomentEdit(patch.in_frame, patch.out_frame, patch.name, changes)
        change_moment(session, moment, production, edit, vocabulary, caller.name)
        return _answer(session, moment, response)


@router.delete(
    "/moments/{id}",
    status_code=204,
    summary="Remove a moment",
    description="`If-Match` must hold the ETag that was read. The journal keeps it: an undo brings it back.",
    responses={404: {}, 412: {}, 428: {}},
)
def delete_moment(service: ServiceDep, id: RowId, caller: CallerDep, if_match: IfMatch = None) -> None:
    with writing(service.sessions) as session:
        moment = _find(session, id, hold=True)
        _check(session, moment, if_match)
        production = moment.clip.production
        vocabulary = production_vocabulary(session, production, service.vocabulary)
        remove_moment(session, moment, production, vocabulary, caller.name)


def _find(session: Session, number: int, *, hold: bool = False) -> models.Moment:
    rows = select(models.Moment).where(models.Moment.id == number)
    moment = session.scalar(rows.with_for_update() if hold else rows)
    if moment is None:
        raise NotFoundError(f"there is no moment {number}", remedy="List those of its clip.")
    return moment


def _entry(session: Session, moment: models.Moment) -> models.LogEntry | None:
    return session.scalar(select(models.LogEntry).where(models.LogEntry.moment_id == moment.id))


def _tag(session: Session, moment: models.Moment) -> str:
    entry = _entry(session, moment)
    version = entry.version if entry is not None else 0
    return content_tag(moment.id, moment.in_frame, moment.out_frame, moment.name, version)


def _check(session: Session, moment: models.Moment, if_match: str | None) -> None:
    tag = _tag(session, moment)
    check_if_match(if_match, tag, lambda: moment_shape(moment, _entry(session, moment)))


def _answer(session: Session, moment: models.Moment, response: Response) -> Moment:
    response.headers["ETag"] = _tag(session, moment)
    response.headers["Cache-Control"] = "private, no-cache"
    return moment_shape(moment, _entry(session, moment))
