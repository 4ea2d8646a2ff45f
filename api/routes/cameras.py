"""Cameras, drones and sound recorders of the kit list."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response

from api.deps import AfterName, Limit, ProductionName, ServiceDep
from api.fields import Fields, select_fields
from api.paging import cut_page, next_link
from api.schemas.base import Listing
from api.schemas.kit import Camera, NewCamera, camera_shape
from shared.catalogue.productions import find_camera, find_production, set_camera
from shared.db import reading, writing
from shared.errors import ConflictError, NotFoundError

router = APIRouter(prefix="/cameras", tags=["kit"])


@router.get("", summary="List a production's cameras", response_model=Listing[Camera], responses={404: {}})
def list_cameras(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterName = None,
    fields: Fields = None,
) -> Listing[Camera] | Response:
    with reading(service.sessions) as session:
        cameras = find_production(session, production).cameras
        rows, last = cut_page(cameras, lambda row: row.letter, limit=limit, after=after)
        page = Listing[Camera](items=[camera_shape(row) for row in rows], next=next_link(request, last))
    return select_fields(page, fields)


@router.post("", status_code=201, summary="Add a camera to the kit list", responses={404: {}, 409: {}})
def create_camera(service: ServiceDep, body: NewCamera, production: ProductionName = None) -> Camera:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        if find_camera(session, found, body.letter) is not None:
            raise ConflictError(
                f"there is a camera {body.letter.upper()} already", remedy="Give this one another letter."
            )
        camera = set_camera(
            session, found, body.letter, name=body.name, kind=body.kind, zone_rule=body.zone_rule
        )
        return camera_shape(camera)


@router.get("/{letter}", summary="Read one camera", responses={404: {}})
def read_camera(
    service: ServiceDep,
    letter: Annotated[str, Path(max_length=8)],
    production: ProductionName = None,
) -> Camera:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        camera = find_camera(session, found, letter)
        if camera is None:
            there = ", ".join(one.letter for one in found.cameras)
            raise NotFoundError(
                f"there is no camera {letter}",
                remedy=f"There is: {there}." if there else "The kit list is empty.",
            )
        return camera_shape(camera)
