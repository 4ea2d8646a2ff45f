"""Edits of many clips at once, and the journal of every edit: who, when, before, after, taken back."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from api.deps import AfterId, CallerDep, Limit, ProductionName, RowId, ServiceDep
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.schemas.base import Listing
from api.schemas.edits import (
    ClipsMeant,
    Edit,
    EditBody,
    EditDetail,
    EditResult,
    FoundClip,
    edit_detail,
    edit_shape,
)
from api.schemas.log import added_of, changes_of
from shared import models
from shared.catalogue.chunks import in_chunks
from shared.catalogue.editing import edit_clips, find_edit, undo
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.catalogue.search import find_clip_ids
from shared.db import reading, writing
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.vocabulary import Vocabulary

router = APIRouter(prefix="/changes", tags=["log"])

SHOWN = 10  # clips that a preview names


@router.get("", summary="List the edits, the newest first", response_model=Listing[Edit], responses={404: {}})
def list_changes(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Edit] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows, last = read_page(
            session,
            select(models.ChangeSet).where(models.ChangeSet.production_id == found.id),
            models.ChangeSet.id,
            limit=limit,
            after=after,
            newest_first=True,
        )
        page = Listing[Edit](items=[edit_shape(row) for row in rows], next=next_link(request, last))
    return select_fields(page, fields)


@router.post(
    "",
    status_code=201,
    summary="Make the same edit on many clips",
    description="On those that a query finds, or on those that are named. One transaction. With `preview` it "
    "only counts; `expect` refuses the edit when another number of clips is meant than the preview said.",
    responses={200: {"model": EditResult, "description": "A preview, or nothing differed"}, 404: {}, 409: {}},
)
def make_change(
    service: ServiceDep,
    body: EditBody,
    response: Response,
    caller: CallerDep,
    production: ProductionName = None,
) -> EditResult:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        changes = [*changes_of(body.set, vocabulary), *added_of(body.add)]
        if not changes:
            raise UsageError(
                "there is nothing to set or to add", remedy="Name at least one field under `set` or `add`."
            )
        ids = clips_meant(session, found, body, vocabulary)
        first = _first_of(session, ids)
        if body.preview:
            response.status_code = 200
            return EditResult(count=len(ids), first=first)
        if body.expect is not None and body.expect != len(ids):
            raise ConflictError(
                f"{len(ids)} clips are meant now, not {body.expect}",
                remedy="Look at the preview again, and send the number it says.",
            )
        _, edit = edit_clips(session, found, ids, changes, vocabulary, caller.name, body.query or "")
        if edit is None:
            response.status_code = 200
        return EditResult(count=len(ids), first=first, change=edit.id if edit is not None else None)


@router.get("/{id}", summary="Read one edit with everything it changed", responses={404: {}})
def read_change(service: ServiceDep, id: RowId) -> EditDetail:
    with reading(service.sessions) as session:
        return edit_detail(_find(session, id))


@router.post(
    "/{id}/undo",
    status_code=201,
    summary="Take an edit back",
    description="Whole or not at all: refused when something it changed was changed again since. To bring "
    "an edit back, take its undo back.",
    responses={404: {}, 409: {}},
)
def undo_change(service: ServiceDep, id: RowId, caller: CallerDep) -> EditDetail:
    with writing(service.sessions) as session:
        production = session.get_one(models.Production, _find(session, id).production_id)
        vocabulary = production_vocabulary(session, production, service.vocabulary)
        edit = find_edit(session, production, None, id)
        return edit_detail(undo(session, production, edit, vocabulary, caller.name))


def clips_meant(
    session: Session, production: models.Production, body: ClipsMeant, vocabulary: Vocabulary
) -> list[int]:
    """The clips that a query finds, or those named. Raises UsageError unless one of both is given,
    NotFoundError for an id of no clip of the production."""
    if (body.query is None) == (body.clips is None):
        raise UsageError("which clips are meant is not clear", remedy="Give either a query or clips.")
    if body.clips is None:
        return find_clip_ids(session, production, body.query or "", vocabulary)
    ids = sorted(set(body.clips))
    there: set[int] = set()
    for chunk in in_chunks(ids):
        rows = select(models.Clip.id).where(
            models.Clip.id.in_(chunk), models.Clip.production_id == production.id
        )
        there.update(session.scalars(rows))
    for one in ids:
        if one not in there:
            raise NotFoundError(
                f"{production.name} has no clip {one}", remedy="Look again: it may have been removed."
            )
    return ids


def _find(session: Session, number: int) -> models.ChangeSet:
    row = session.get(models.ChangeSet, number)
    if row is None:
        raise NotFoundError(f"there is no edit {number}", remedy="List them under /api/v1/changes.")
    return row


def _first_of(session: Session, ids: list[int]) -> list[FoundClip]:
    rows = session.scalars(
        select(models.Clip).where(models.Clip.id.in_(ids[:SHOWN])).options(joinedload(models.Clip.reel))
    )
    by_id = {row.id: row for row in rows}
    return [FoundClip(id=key, reel=by_id[key].reel.name, name=by_id[key].name) for key in ids[:SHOWN]]
