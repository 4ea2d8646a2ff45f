"""What was measured of a clip."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from api.deps import RowId, ServiceDep
from api.reads.measures import read_measures
from api.schemas.measures import Measures, measures_shape
from shared.db import reading

router = APIRouter(prefix="/clips/{id}/measures", tags=["clips"])

Points = Annotated[int, Query(ge=10, le=2000, description="Points of a curve, at most.")]


@router.get("", summary="Read what was measured of a clip, as curves to draw", responses={404: {}})
def read_clip_measures(service: ServiceDep, id: RowId, points: Points = 300) -> Measures:
    with reading(service.sessions) as session:
        return measures_shape(read_measures(session, id, points))
