"""Cameras, drones and sound recorders of the kit list."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path

from api.deps import ProductionName, ServiceDep
from api.schemas.base import Listing
from api.schemas.kit import Camera, camera_shape
from shared.catalogue.productions import find_camera, find_production
from shared.db import reading
from shared.errors import NotFoundError

router = APIRouter(prefix="/cameras", tags=["kit"])


@router.get("", summary="List a production's cameras", responses={404: {}})
def list_cameras(service: ServiceDep, production: ProductionName = None) -> Listing[Camera]:
    with reading(service.sessions) as session:
        return Listing(items=[camera_shape(row) for row in find_production(session, production).cameras])


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
