"""What the film still lacks: the plan as it stands, coverage, the wrap report, and their thresholds."""

from __future__ import annotations

from pathlib import PurePath
from typing import Annotated

from fastapi import APIRouter, Query, Response
from sqlalchemy.orm import Session

from api.deps import CallerDep, ProductionName, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.schemas.plan import (
    PlanBody,
    PlanResult,
    PlanState,
    ThresholdList,
    ThresholdPatch,
    day_standing,
    line_standing,
    threshold_list,
    wish_standing,
)
from api.schemas.reports import Coverage, Wrap
from shared import models
from shared.catalogue.log import production_vocabulary
from shared.catalogue.plan import put_thresholds, read_thresholds
from shared.catalogue.plan_merge import merge_plan
from shared.catalogue.productions import find_production
from shared.catalogue.release_standing import CAUTION
from shared.catalogue.rows import RowsEdit
from shared.catalogue.wrap import read_plan_state, read_wrap
from shared.db import reading, writing
from shared.plan.files import parse_plan
from shared.plan.wishes import judge_days

router = APIRouter(tags=["plan"])

DayQuery = Annotated[
    int | None, Query(ge=1, le=999_999, description="A shooting day; without it the whole production.")
]


@router.get("/wrap", summary="What is unsafe, missing, damaged or thin before leaving", responses={404: {}})
def read_wrap_report(service: ServiceDep, production: ProductionName = None, day: DayQuery = None) -> Wrap:
    with reading(service.sessions) as session:
        report = read_wrap(session, find_production(session, production), day)
    return Wrap.model_validate(report.as_json() | {"caution": CAUTION})


@router.get("/coverage", summary="Usable seconds by beat, kind, size and angle", responses={404: {}})
def read_coverage(service: ServiceDep, production: ProductionName = None) -> Coverage:
    with reading(service.sessions) as session:
        state = read_plan_state(session, find_production(session, production))
    return Coverage.model_validate(state.coverage.as_json())


@router.get("/plan", summary="How narration and wishes stand", responses={404: {}})
def read_plan_now(service: ServiceDep, production: ProductionName = None) -> PlanState:
    with reading(service.sessions) as session:
        state = read_plan_state(session, find_production(session, production))
    return PlanState(
        days=[day_standing(one) for one in judge_days(state.wishes)],
        narration=[line_standing(one) for one in state.lines],
        wishes=[wish_standing(one) for one in state.wishes],
    )


@router.post(
    "/plan",
    summary="Take in a plan's file",
    description="One edit of the journal. The same text twice makes no doubles; faults name their line.",
    responses={404: {}, 409: {}},
)
def take_in_plan(
    service: ServiceDep, body: PlanBody, caller: CallerDep, production: ProductionName = None
) -> PlanResult:
    name = PurePath(body.name)
    content = parse_plan(body.text.encode("utf-8", "surrogatepass"), name)
    with writing(service.sessions) as session:
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        merge = merge_plan(session, found, content, name, vocabulary, caller.name)
        return PlanResult(**merge.as_json())


@router.get("/thresholds", summary="The numbers that coverage and wrap judge by", responses={404: {}})
def list_thresholds(
    service: ServiceDep, response: Response, production: ProductionName = None
) -> ThresholdList:
    with reading(service.sessions) as session:
        return _thresholds(session, find_production(session, production), response)


@router.patch(
    "/thresholds",
    summary="Set some of them",
    description="`If-Match` must hold the ETag that was read. Null goes back to the usual value.",
    responses={404: {}, 412: {}, 428: {}},
)
def patch_thresholds(
    service: ServiceDep,
    patch: ThresholdPatch,
    response: Response,
    caller: CallerDep,
    production: ProductionName = None,
    if_match: IfMatch = None,
) -> ThresholdList:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        check_if_match(
            if_match, _tag(session, found), lambda: threshold_list(read_thresholds(session, found))
        )
        edit = RowsEdit(session, found, caller.name, f"thresholds {' '.join(sorted(patch.values))}")
        put_thresholds(edit, patch.values)
        edit.close()
        return _thresholds(session, found, response)


def _tag(session: Session, production: models.Production) -> str:
    return content_tag(production.id, sorted(read_thresholds(session, production).own.items()))


def _thresholds(session: Session, production: models.Production, response: Response) -> ThresholdList:
    response.headers["ETag"] = _tag(session, production)
    return threshold_list(read_thresholds(session, production))
