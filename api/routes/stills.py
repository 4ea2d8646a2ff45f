"""Stills: the images themselves."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Header, Query, Response

from api.deps import RowId, ServiceDep
from api.etags import IfNoneMatch, is_known
from api.reads.stills import IMAGE_TYPES, Width, read_sized, read_still
from shared import models
from shared.db import reading
from shared.errors import NotFoundError

router = APIRouter(prefix="/stills", tags=["stills"])

_IMAGE = {"schema": {"type": "string", "format": "binary"}}
_FOR_EVER = "private, max-age=31536000, immutable"  # RFC 8246


@router.get(
    "/{id}",
    summary="Read a still's image",
    description="The address that a clip gives, with its `v`, always stands for the same image. With `w` it "
    "comes no wider than that, as AVIF or WebP where `Accept` names them.",
    response_class=Response,
    responses={
        200: {
            "description": "The image",
            "content": dict.fromkeys(sorted({*IMAGE_TYPES.values(), "image/avif"}), _IMAGE),
        },
        304: {"description": "The caller has it already"},
        404: {},
    },
)
def read_still_image(
    service: ServiceDep,
    id: RowId,
    v: Annotated[str | None, Query(max_length=64, description="Version of the image.")] = None,
    w: Annotated[Width | None, Query(description="Widest it may be, in pixels.")] = None,
    accept: Annotated[str, Header(include_in_schema=False)] = "",
    if_none_match: IfNoneMatch = None,
) -> Response:
    with reading(service.sessions) as session:
        still = session.get(models.Still, id)
    if still is None:
        raise NotFoundError(f"there is no still {id}", remedy="Use the address that its clip gives.")
    folder = service.settings.stills_folder
    image = read_still(folder, still) if w is None else read_sized(folder, still, w, accept)
    headers = {
        "ETag": f'"{image.version}"',
        "Cache-Control": _FOR_EVER if v == image.version.partition("-")[0] else "private, no-cache",
        "Vary": "Accept",
    }
    if is_known(if_none_match, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    return Response(image.data, media_type=image.media_type, headers=headers)
