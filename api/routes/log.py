"""A clip's log entry: read, and edited without writing over somebody else's edit."""

from __future__ import annotations

from fastapi import APIRouter, Response
from sqlalchemy import select

from api.deps import CallerDep, RowId, ServiceDep
from api.etags import IfMatch, IfNoneMatch, check_if_match, is_known, version_tag
from api.reads.clips import check_clip
from api.schemas.log import LogEntry, LogPatch, changes_of, entry_shape
from shared import models
from shared.catalogue.editing import edit_clips
from shared.catalogue.log import production_vocabulary
from shared.catalogue.search import read_entries
from shared.db import reading, writing
from shared.errors import NotFoundError

router = APIRouter(prefix="/clips/{id}/log", tags=["log"])


@router.get(
    "",
    summary="Read a clip's log entry",
    responses={304: {"description": "The caller has it already"}, 404: {}},
)
def read_log(
    service: ServiceDep, id: RowId, response: Response, if_none_match: IfNoneMatch = None
) -> LogEntry:
    with reading(service.sessions) as session:
        check_clip(session, id)
        entry = entry_shape(read_entries(session, [id]).get(id))
    response.headers["ETag"] = version_tag(entry.version)
    response.headers["Cache-Control"] = "private, no-cache"
    if is_known(if_none_match, version_tag(entry.version)):
        response.status_code = 304
    return entry


@router.patch(
    "",
    summary="Change a clip's log entry",
    description="A merge patch: what is not named stays, null takes a value away, a list replaces the list. "
    "`If-Match` must hold the ETag that was read; tags and people that do not exist yet are made.",
    responses={404: {}, 412: {}, 428: {}},
)
def patch_log(
    service: ServiceDep,
    id: RowId,
    patch: LogPatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> LogEntry:
    with writing(service.sessions) as session:
        # The clip's row is locked, not the entry's: an entry may not be there yet.
        clip = session.scalar(select(models.Clip).where(models.Clip.id == id).with_for_update())
        if clip is None:
            raise NotFoundError(f"there is no clip {id}", remedy="Find it by its name or its day.")
        version = session.scalar(select(models.LogEntry.version).where(models.LogEntry.clip_id == id))
        check_if_match(
            if_match, version_tag(version or 0), lambda: entry_shape(read_entries(session, [id]).get(id))
        )
        vocabulary = production_vocabulary(session, clip.production, service.vocabulary)
        changes = changes_of(patch, vocabulary)
        if changes:
            edit_clips(session, clip.production, [id], changes, vocabulary, caller.name)
        entry = entry_shape(read_entries(session, [id]).get(id))
        response.headers["ETag"] = version_tag(entry.version)
        return entry
