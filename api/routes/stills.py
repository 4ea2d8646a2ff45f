"""Stills: the images themselves."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response

from api.deps import RowId, ServiceDep
from api.etags import IfNoneMatch, is_known
from api.reads.stills import IMAGE_TYPES, read_still
from shared import models
from shared.db import reading
from shared.errors import NotFoundError

router = APIRouter(prefix="/stills", tags=["stills"])

_IMAGE = {"schema": {"type": "string", "format": "binary"}}
_FOR_EVER = "private, max-age=31536000, immutable"  # RFC 8246


@router.get(
    "/{id}",
    summary="Read a still's image",
    description="The address that a clip gives, with its `v`, always stands for the same image.",
    response_class=Response,
    responses={
        200: {
            "description": "The image",
            "content": dict.fromkeys(sorted(set(IMAGE_TYPES.values())), _IMAGE),
        },
        304: {"description": "The caller has it already"},
        404: {},
    },
)
def read_still_image(
    service: ServiceDep,
    id: RowId,
    v: Annotated[str | None, Query(max_length=64, description="Version of the image.")] = None,
    if_none_match: IfNoneMatch = None,
) -> Response:
    with reading(service.sessions) as session:
        still = session.get(models.Still, id)
    if still is None:
        raise NotFoundError(f"there is no still {id}", remedy="Use the address that its clip gives.")
    image = read_still(service.settings.stills_folder, still)
    headers = {
        "ETag": f'"{image.version}"',
        "Cache-Control": _FOR_EVER if v == image.version else "private, no-cache",
    }
    if is_known(if_none_match, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    return Response(image.data, media_type=image.media_type, headers=headers)
