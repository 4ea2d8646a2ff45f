"""Files of cards: their bytes, by id, from any copy that is at hand."""

from __future__ import annotations

import datetime as dt
import os
from typing import Annotated, Any

from fastapi import APIRouter, Header, Request, Response

from api.deps import RowId, ServiceDep
from api.etags import IfNoneMatch
from api.guard import HEAD_ONLY
from api.ranges import check_conditions, find_part, may_give_part
from api.reads.contents import (
    MEDIA_TYPES,
    OTHER_TYPE,
    Opened,
    Stored,
    disposition_of,
    open_stored,
    read_stored,
)
from api.schemas import work
from api.streaming import FilePart
from shared.catalogue.requests import file_request, open_requests
from shared.db import reading, writing
from shared.models import RequestKind

router = APIRouter(prefix="/files", tags=["clips"])

_BYTES = {"schema": {"type": "string", "format": "binary"}}
_CONTENT = dict.fromkeys([*sorted(set(MEDIA_TYPES.values())), OTHER_TYPE], _BYTES)
_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {"description": "The whole file", "content": _CONTENT},
    206: {"description": "The part that `Range` asks for", "content": _CONTENT},
    304: {"description": "The caller has it already"},
    404: {},
    412: {},
    416: {},
}
# Whatever the bytes are, a browser shows them without script and from a corner of their own.
_POLICY = (
    "default-src 'none'; img-src 'self'; media-src 'self'; style-src 'unsafe-inline'; sandbox; "
    "frame-ancestors 'none'"
)


@router.get(
    "/{id}/content",
    summary="Read a file's bytes, or a part of them",
    description="The original or its companion (a proxy among them) as it stood on the card, from a copy "
    "that was verified and has its recorded size. One range in bytes is answered with 206; several at once "
    "are ignored, and the whole is sent.",
    response_class=Response,
    responses=_RESPONSES,
)
def read_file_content(
    service: ServiceDep,
    request: Request,
    id: RowId,
    range: Annotated[
        str | None, Header(description="Such as `bytes=0-1023`, `bytes=500-`, `bytes=-500`.")
    ] = None,
    if_range: Annotated[str | None, Header(description="ETag or date for which `Range` counts.")] = None,
    if_none_match: IfNoneMatch = None,
) -> Response:
    with reading(service.sessions) as session:
        stored = read_stored(session, id)
    opened = open_stored(stored, dt.datetime.now(dt.UTC))
    kept = False
    try:
        response = _answer(request, stored, opened)
        kept = isinstance(response, FilePart)
    finally:
        if not kept:
            os.close(opened.handle)
    return response


def _answer(request: Request, stored: Stored, opened: Opened) -> Response:
    headers = {
        "ETag": opened.version.tag,
        "Last-Modified": opened.version.last_modified,
        "Accept-Ranges": "bytes",
        "Cache-Control": "private, no-cache",
    }
    if check_conditions(request.headers, opened.version):
        return Response(status_code=304, headers=headers)
    headers |= {"Content-Disposition": disposition_of(stored), "Content-Security-Policy": _POLICY}
    head_only = request.scope.get(HEAD_ONLY, False)
    asked = request.headers.get("range")
    # RFC 9110, 14.2: a range counts for GET alone.
    counts = (
        asked is not None and not head_only and may_give_part(request.headers.get("if-range"), opened.version)
    )
    part = find_part(asked, opened.size) if counts else None
    if head_only:
        headers["Content-Length"] = str(opened.size)
        return Response(media_type=stored.media_type, headers=headers)
    if part is not None:
        headers["Content-Range"] = part.content_range
    return FilePart(
        opened.handle,
        part.start if part is not None else 0,
        part.length if part is not None else opened.size,
        readers=request.app.state.readers,
        status=206 if part is not None else 200,
        media_type=stored.media_type,
        headers=headers,
    )


@router.post(
    "/{id}/preview",
    status_code=202,
    summary="Ask for a small film of a file that a browser can't play",
    description="Files a request, which a worker carries out; the clip's page then plays it. Asked for again "
    "while it is being made, the same request is given.",
    responses={404: {}},
)
def request_preview(service: ServiceDep, id: RowId, response: Response) -> work.Request:
    with writing(service.sessions) as session:
        read_stored(session, id)
        order = {"file": id}
        same = [one for one in open_requests(session, RequestKind.PREVIEW) if one.order == order]
        row = same[0] if same else file_request(session, RequestKind.PREVIEW, order)
        response.headers["Location"] = f"/api/v1/requests/{row.id}"
        return work.request_shape(row)
