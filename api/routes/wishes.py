"""Wanted shots, and the clips and moments that answer them."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import AfterId, CallerDep, Limit, ProductionName, RowId, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.fields import Fields, select_fields
from api.paging import next_link, read_page
from api.reads.by_id import find_by_id
from api.schemas.base import Listing
from api.schemas.plan import (
    Answer,
    AnswerBody,
    Wish,
    WishBody,
    WishPatch,
    WishStanding,
    answer_shape,
    wish_shape,
    wish_standing,
)
from shared import models
from shared.catalogue.journal import Values
from shared.catalogue.log import production_vocabulary
from shared.catalogue.plan import answers_of, put_answer, put_wish, remove_wish
from shared.catalogue.plan_kinds import ANSWER, read_answer, read_wish
from shared.catalogue.plan_values import wish_values
from shared.catalogue.productions import find_production
from shared.catalogue.rows import RowsEdit
from shared.catalogue.wrap import read_plan_state
from shared.db import reading, writing
from shared.errors import NotFoundError
from shared.vocabulary import Vocabulary

router = APIRouter(tags=["plan"])


@router.get("/wishes", summary="List the wanted shots", response_model=Listing[Wish], responses={404: {}})
def list_wishes(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterId = None,
    fields: Fields = None,
) -> Listing[Wish] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        rows = select(models.WantedShot).where(models.WantedShot.production_id == found.id)
        wishes, last = read_page(session, rows, models.WantedShot.id, limit=limit, after=after)
        page = Listing[Wish](items=[wish_shape(one) for one in wishes], next=next_link(request, last))
    return select_fields(page, fields)


@router.post("/wishes", status_code=201, summary="Want a shot", responses={404: {}, 409: {}})
def post_wish(
    service: ServiceDep,
    body: WishBody,
    response: Response,
    caller: CallerDep,
    production: ProductionName = None,
) -> Wish:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        values = _values(session, found, body, vocabulary, set(body.model_fields_set) | {"what"})
        edit = RowsEdit(session, found, caller.name, f"wish {body.what}")
        wish = put_wish(edit, None, values)
        edit.close()
        return _answer(session, wish, response)


@router.get("/wishes/{id}", summary="Read one wanted shot", responses={404: {}})
def read_one_wish(service: ServiceDep, id: RowId, response: Response) -> Wish:
    with reading(service.sessions) as session:
        return _answer(session, _find(session, id), response)


@router.patch(
    "/wishes/{id}",
    summary="Change a wanted shot",
    description="`If-Match` must hold the ETag that was read.",
    responses={404: {}, 409: {}, 412: {}, 428: {}},
)
def patch_wish(
    service: ServiceDep,
    id: RowId,
    patch: WishPatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Wish:
    with writing(service.sessions) as session:
        wish = _find(session, id, hold=True)
        check_if_match(if_match, wish_tag(session, wish), lambda: wish_shape(wish))
        production = wish.production
        vocabulary = production_vocabulary(session, production, service.vocabulary)
        values = _values(session, production, patch, vocabulary, patch.model_fields_set)
        edit = RowsEdit(session, production, caller.name, f"wish {wish.code} {' '.join(sorted(values))}")
        put_wish(edit, wish, values)
        edit.close()
        return _answer(session, wish, response)


@router.delete(
    "/wishes/{id}",
    status_code=204,
    summary="Remove a wanted shot",
    description="`If-Match` must hold the ETag that was read. An undo brings it back, and what answers it.",
    responses={404: {}, 412: {}, 428: {}},
)
def delete_wish(service: ServiceDep, id: RowId, caller: CallerDep, if_match: IfMatch = None) -> None:
    with writing(service.sessions) as session:
        wish = _find(session, id, hold=True)
        check_if_match(if_match, wish_tag(session, wish), lambda: wish_shape(wish))
        edit = RowsEdit(session, wish.production, caller.name, f"remove wish {wish.code}")
        remove_wish(edit, wish)
        edit.close()


@router.get(
    "/wishes/{id}/standing",
    summary="How a wish stands, and which clips may answer it",
    responses={404: {}},
)
def read_wish_standing(service: ServiceDep, id: RowId) -> WishStanding:
    with reading(service.sessions) as session:
        wish = _find(session, id)
        states = read_plan_state(session, wish.production).wishes
        return wish_standing(next(one for one in states if one.wish.id == wish.id))


@router.get("/wishes/{id}/answers", summary="List what answers a wish, or was refused", responses={404: {}})
def list_answers(service: ServiceDep, id: RowId) -> Listing[Answer]:
    with reading(service.sessions) as session:
        wish = _find(session, id)
        return Listing[Answer](items=[answer_shape(one) for one in answers_of(session, [wish.id])])


@router.post(
    "/wishes/{id}/answers",
    status_code=201,
    summary="Confirm or refuse a clip or a moment for a wish",
    responses={404: {}, 409: {}},
)
def post_answer(
    service: ServiceDep, id: RowId, body: AnswerBody, response: Response, caller: CallerDep
) -> Answer:
    with writing(service.sessions) as session:
        wish = _find(session, id, hold=True)
        clip = _find_clip(session, wish, body.clip) if body.clip is not None else None
        moment = _find_moment(session, wish, body.moment) if body.moment is not None else None
        edit = RowsEdit(session, wish.production, caller.name, f"answer {wish.code}: {body.state.value}")
        made = put_answer(edit, wish, clip=clip, moment=moment, state=body.state)
        edit.close()
        response.headers["ETag"] = answer_tag(session, made)
        return answer_shape(made)


@router.delete(
    "/answers/{id}",
    status_code=204,
    summary="Take back what was said of a wish and a clip",
    description="`If-Match` must hold the ETag that the POST gave, or *.",
    responses={404: {}, 412: {}, 428: {}},
)
def delete_answer(service: ServiceDep, id: RowId, caller: CallerDep, if_match: IfMatch = None) -> None:
    with writing(service.sessions) as session:
        answer = session.get(models.Answer, id)
        if answer is None:
            raise NotFoundError(f"there is no answer {id}", remedy="List those of its wish.")
        check_if_match(if_match, answer_tag(session, answer), lambda: answer_shape(answer))
        wish = answer.wish
        edit = RowsEdit(session, wish.production, caller.name, f"take back an answer to {wish.code}")
        edit.remove(ANSWER, answer)
        edit.close()


def _values(
    session: Session,
    production: models.Production,
    body: WishBody | WishPatch,
    vocabulary: Vocabulary,
    named: set[str],
) -> Values:
    given: dict[str, str] = {}
    for name in named - {"who"}:
        value: Any = getattr(body, name)
        if value is None and name == "code":
            continue
        given[name] = "" if value is None else str(getattr(value, "value", value))
    values = wish_values(session, production, given, vocabulary)
    if "who" in named:
        names = (" ".join(name.split()) for name in body.who or ())
        values["who"] = sorted(dict.fromkeys(name for name in names if name))
    return values


def _find(session: Session, number: int, *, hold: bool = False) -> models.WantedShot:
    return find_by_id(session, models.WantedShot, number, "wanted shot", listed="wishes", hold=hold)


def _find_clip(session: Session, wish: models.WantedShot, number: int) -> models.Clip:
    clip = session.get(models.Clip, number)
    if clip is None or clip.production_id != wish.production_id:
        raise NotFoundError(f"there is no clip {number} here", remedy="List them under /api/v1/clips.")
    return clip


def _find_moment(session: Session, wish: models.WantedShot, number: int) -> models.Moment:
    moment = session.get(models.Moment, number)
    if moment is None or moment.clip.production_id != wish.production_id:
        raise NotFoundError(f"there is no moment {number} here", remedy="List those of its clip.")
    return moment


def wish_tag(session: Session, wish: models.WantedShot) -> str:
    return content_tag(wish.id, sorted(read_wish(session, wish).items()))


def answer_tag(session: Session, answer: models.Answer) -> str:
    return content_tag(answer.id, sorted(read_answer(session, answer).items()))


def _answer(session: Session, wish: models.WantedShot, response: Response) -> Wish:
    response.headers["ETag"] = wish_tag(session, wish)
    response.headers["Cache-Control"] = "private, no-cache"
    return wish_shape(wish)
