"""Small films of files that a browser can't play, made by the worker: their bytes."""

from __future__ import annotations

import datetime as dt
import os

from fastapi import APIRouter, Request, Response

from api.deps import RowId, ServiceDep
from api.etags import content_tag
from api.guard import HEAD_ONLY
from api.ranges import Version, check_conditions, find_part, may_give_part
from api.reads.contents import read_stored
from api.streaming import FilePart
from shared.db import reading
from shared.errors import NotFoundError
from shared.previews import preview_path

router = APIRouter()

MEDIA_TYPE = "video/mp4"


@router.get("/previews/{id}")
def read_preview(service: ServiceDep, request: Request, id: RowId) -> Response:
    with reading(service.sessions) as session:
        stored = read_stored(session, id)
    try:
        handle = os.open(preview_path(service.settings.home, stored.digest), os.O_RDONLY | os.O_NOFOLLOW)
    except OSError as error:
        raise NotFoundError(
            f"there is no preview of file {id}", remedy="Have it made from the clip's page."
        ) from error
    kept = False
    try:
        response = _answer(request, handle, stored.digest)
        kept = isinstance(response, FilePart)
    finally:
        if not kept:
            os.close(handle)
    return response


def _answer(request: Request, handle: int, digest: str) -> Response:
    found = os.fstat(handle)
    changed = dt.datetime.fromtimestamp(found.st_mtime_ns // 10**9, dt.UTC)
    version = Version(content_tag(digest, found.st_size, found.st_mtime_ns), changed)
    headers = {
        "ETag": version.tag,
        "Last-Modified": version.last_modified,
        "Accept-Ranges": "bytes",
        "Cache-Control": "private, no-cache",
    }
    if check_conditions(request.headers, version):
        return Response(status_code=304, headers=headers)
    if request.scope.get(HEAD_ONLY, False):
        return Response(media_type=MEDIA_TYPE, headers=headers | {"Content-Length": str(found.st_size)})
    asked = request.headers.get("range")
    counts = asked is not None and may_give_part(request.headers.get("if-range"), version)
    part = find_part(asked, found.st_size) if counts else None
    if part is not None:
        headers["Content-Range"] = part.content_range
    return FilePart(
        handle,
        part.start if part is not None else 0,
        part.length if part is not None else found.st_size,
        readers=request.app.state.readers,
        status=206 if part is not None else 200,
        media_type=MEDIA_TYPE,
        headers=headers,
    )
