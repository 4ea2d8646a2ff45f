"""Shooting days."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.deps import CallerDep, Limit, ProductionName, ServiceDep
from api.errors import PreconditionFailedError
from api.etags import IfMatch, IfNoneMatch, check_if_match, is_known
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.schemas.base import Listing
from api.schemas.productions import Day, DayBody, day_shape, day_tag
from shared.catalogue.beside_edits import edit_day
from shared.catalogue.productions import find_day, find_production
from shared.db import reading, writing
from shared.models import Clip, Production, ShootingDay

router = APIRouter(prefix="/days", tags=["days"])

DayNumber = Annotated[int, Path(ge=1, le=999_999, description="Shooting days count from 1.")]


@router.get("", summary="List a production's shooting days", response_model=Listing[Day], responses={404: {}})
def list_days(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: Annotated[
        int | None, Query(ge=0, le=999_999, description="Go on after the day of this number.")
    ] = None,
    fields: Fields = None,
) -> Listing[Day] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows = select(ShootingDay).where(ShootingDay.production_id == found.id)
        days, last = read_page(session, rows, ShootingDay.number, limit=limit, after=after)
        counts = _count_clips(session, found)
        items = [day_shape(day, counts.get(day.id, 0)) for day in days]
        page = Listing[Day](items=items, next=next_link(request, last))
    return select_fields(page, fields)


@router.get("/{number}", summary="Read one shooting day", responses={404: {}})
def read_day(
    service: ServiceDep, number: DayNumber, response: Response, production: ProductionName = None
) -> Day:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        day = find_day(session, found, number)
        response.headers["ETag"] = day_tag(day)
        return _shape(session, day)


@router.put(
    "/{number}",
    summary="Make or change a shooting day",
    description="A day that is there already needs `If-Match` with the ETag that was read; "
    "`If-None-Match: *` makes a new one or nothing.",
    responses={201: {"model": Day, "description": "Made"}, 404: {}, 409: {}, 412: {}, 428: {}},
)
def put_day(
    service: ServiceDep,
    number: DayNumber,
    body: DayBody,
    response: Response,
    caller: CallerDep,
    production: ProductionName = None,
    if_match: IfMatch = None,
    if_none_match: IfNoneMatch = None,
) -> Day:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        there = session.scalar(
            select(ShootingDay).filter_by(production_id=found.id, number=number).with_for_update()
        )
        _check_conditions(session, there, if_match, if_none_match)
        day = edit_day(session, found, caller.name, number=number, date=body.date, goal=body.goal)
        response.status_code = 200 if there is not None else 201
        response.headers["ETag"] = day_tag(day)
        return _shape(session, day)


def _check_conditions(
    session: Session, there: ShootingDay | None, if_match: str | None, if_none_match: str | None
) -> None:
    if there is None:
        if if_match is not None:
            raise PreconditionFailedError("this day is not there", remedy="Make it without If-Match.")
    elif if_none_match is not None and is_known(if_none_match, day_tag(there)):
        raise PreconditionFailedError("this day is there already", remedy="Read it first, then change it.")
    else:
        check_if_match(if_match, day_tag(there), lambda: _shape(session, there))


def _shape(session: Session, day: ShootingDay) -> Day:
    return day_shape(day, _count_clips(session, day.production).get(day.id, 0))


def _count_clips(session: Session, production: Production) -> dict[int | None, int]:
    rows = select(Clip.day_id, func.count()).where(Clip.production_id == production.id).group_by(Clip.day_id)
    return dict(session.execute(rows).all())
