"""What the forms of the plan's page do: each is an operation of the API, and leads back to its place."""

from __future__ import annotations

import datetime as dt
from typing import Any

from fastapi import APIRouter, Response

from api.deps import CallerDep, RowId, ServiceDep
from api.pages.forms import Form, FormDep, body_of, go_to
from api.pages.plan import plan_link
from api.routes.days import put_day
from api.routes.narration import delete_line, patch_line, post_line
from api.routes.wishes import delete_answer, delete_wish, patch_wish, post_answer, post_wish
from api.schemas.plan import AnswerBody, LineBody, LinePatch, WishBody, WishPatch
from api.schemas.productions import DayBody
from shared.catalogue.naming import find_one_clip
from shared.catalogue.plan_values import read_milliseconds, read_names
from shared.catalogue.productions import find_production
from shared.db import reading
from shared.errors import UsageError

router = APIRouter(prefix="/plan")

_TEXTS = ("what", "words", "beat", "place", "note")
_CHOSEN = ("need", "origin", "line", "kind", "size", "angle", "camera")


@router.post("/days")
def save_day(service: ServiceDep, caller: CallerDep, form: FormDep) -> Response:
    number = form.number("number")
    if number is None or number < 1:
        raise UsageError("a day needs its number", remedy="Go back and write it: days count from 1.")
    try:
        date = dt.date.fromisoformat(form.text("date"))
    except ValueError as error:
        raise UsageError("a day needs its date", remedy="Go back and write it: 2026-05-11.") from error
    production, tag = form.text("production"), form.text("tag")
    body = body_of(DayBody, {"date": date, "goal": form.text("goal")})
    known = (tag, None) if tag else (None, "*")
    put_day(service, number, body, Response(), caller, production, *known)
    return go_to(plan_link(production, f"day-{number}"))


def _wish(form: Form, *, whole: bool) -> dict[str, Any]:
    """`whole`: with the fields that only a wish that is there has, and null for what was left empty."""
    values: dict[str, Any] = {name: form.text(name) for name in _TEXTS}
    values |= {name: form.text(name) or None for name in _CHOSEN}
    values |= {"day": form.number("day"), "seconds": form.number("seconds")}
    values["who"] = read_names(form.text("who"))
    if whole:
        return values | {"dropped": form.text("dropped")}
    return {name: value for name, value in values.items() if value}


@router.post("/wishes")
def add_wish(service: ServiceDep, caller: CallerDep, form: FormDep) -> Response:
    production = form.text("production")
    body = body_of(WishBody, _wish(form, whole=False))
    made = post_wish(service, body, Response(), caller, production)
    return go_to(plan_link(production, f"wish-{made.id}"))


@router.post("/wishes/{id}")
def save_wish(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    production, tag = form.text("production"), form.text("tag") or None
    if form.text("remove"):
        delete_wish(service, id, caller, tag)
        return go_to(plan_link(production, "wishes"))
    patch_wish(service, id, body_of(WishPatch, _wish(form, whole=True)), Response(), caller, tag)
    return go_to(plan_link(production, f"wish-{id}"))


@router.post("/wishes/{id}/answers")
def say_of_wish(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    """Confirm or refuse a clip or a moment, as `state` says. A clip may be `named` as a person writes it."""
    values = {"clip": form.number("clip"), "moment": form.number("moment"), "state": form.text("state")}
    if form.text("named"):
        with reading(service.sessions) as session:
            production = find_production(session, form.text("production"))
            values["clip"] = find_one_clip(session, production, form.text("named")).id
    post_answer(service, id, body_of(AnswerBody, values), Response(), caller)
    return go_to(plan_link(form.text("production"), f"wish-{id}"))


@router.post("/answers/{id}")
def take_answer_back(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    delete_answer(service, id, caller, form.text("tag") or None)
    return go_to(plan_link(form.text("production"), f"wish-{form.number('wish') or ''}"))


def _line(form: Form) -> dict[str, Any]:
    read = form.text("recorded")
    return {
        **{name: form.text(name) for name in ("text", "beat", "picture")},
        "recorded_seconds": read_milliseconds(read) / 1000 if read else None,
    }


@router.post("/lines")
def add_line(service: ServiceDep, caller: CallerDep, form: FormDep) -> Response:
    production = form.text("production")
    made = post_line(service, body_of(LineBody, _line(form)), Response(), caller, production)
    return go_to(plan_link(production, f"line-{made.id}"))


@router.post("/lines/{id}")
def save_line(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    production, tag = form.text("production"), form.text("tag") or None
    if form.text("remove"):
        delete_line(service, id, caller, tag)
        return go_to(plan_link(production, "narration"))
    patch_line(service, id, body_of(LinePatch, _line(form)), Response(), caller, tag)
    return go_to(plan_link(production, f"line-{id}"))
