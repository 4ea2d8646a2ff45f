"""Items of an outline: added, moved, changed, covered, checked, removed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from fastapi import APIRouter, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import CallerDep, RowId, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.routes.outlines import find_row
from api.schemas.outlines import CoverAdded, ItemBody, ItemPatch, OutlineItem, RangeBody
from shared import models
from shared.catalogue.journal import Values
from shared.catalogue.moments import find_moment
from shared.catalogue.outline_kinds import read_item
from shared.catalogue.outline_rows import read_outline_state
from shared.catalogue.outline_values import (
    Range,
    cover_values,
    cue_ranges,
    parts_for,
    plain_values,
    range_of,
)
from shared.catalogue.outlines import add_item, change_item, check_quote, move_item, remove_item
from shared.catalogue.plan_values import find_line
from shared.catalogue.rows import RowsEdit
from shared.db import reading, writing
from shared.errors import NotFoundError
from shared.outline.tell import item_json

router = APIRouter(tags=["outline"])


@router.post("/outlines/{id}/items", status_code=201, summary="Add an item", responses={404: {}, 409: {}})
def post_outline_item(
    service: ServiceDep, id: RowId, body: ItemBody, response: Response, caller: CallerDep
) -> OutlineItem:
    with writing(service.sessions) as session:
        outline = find_row(session, id, hold=True)
        values = plain_values(
            name=body.name, mood=body.mood, note=body.note, seconds=exact_seconds(body.seconds)
        )
        if body.line is not None:
            values["line"] = find_line(session, outline.production, body.line).code
        ranges = _ranges_of(session, outline.production, body)
        if ranges:
            values["parts"] = parts_for(session, body.kind, ranges)
        edit = RowsEdit(
            session, outline.production, caller.name, f"outline {outline.name}: a {body.kind.value} more"
        )
        item = add_item(edit, outline, body.kind, values, body.place)
        edit.close()
        return _answer(session, item, response)


@router.get("/outline-items/{id}", summary="Read one item", responses={404: {}})
def read_outline_item(service: ServiceDep, id: RowId, response: Response) -> OutlineItem:
    with reading(service.sessions) as session:
        return _answer(session, _find(session, id), response)


@router.patch(
    "/outline-items/{id}",
    summary="Move or change an item",
    description="`If-Match` must hold the ETag that was read.",
    responses={404: {}, 409: {}, 412: {}, 428: {}},
)
def patch_outline_item(
    service: ServiceDep,
    id: RowId,
    patch: ItemPatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> OutlineItem:
    with writing(service.sessions) as session:
        item = checked_item(session, id, if_match)
        named = sorted(patch.model_fields_set)
        edit = RowsEdit(
            session,
            item.outline.production,
            caller.name,
            f"outline {item.outline.name}: {' '.join(named)} of a {item.kind.value}",
        )
        values = _patched(session, item, patch)
        if values:
            change_item(edit, item, values)
        if patch.place is not None:
            move_item(edit, item, patch.place)
        edit.close()
        return _answer(session, item, response)


@router.post(
    "/outline-items/{id}/covers",
    summary="Lay a range of a clip, or a moment, over an item's picture",
    responses={404: {}, 409: {}},
)
def post_outline_cover(
    service: ServiceDep, id: RowId, body: CoverAdded, response: Response, caller: CallerDep
) -> OutlineItem:
    with writing(service.sessions) as session:
        item = _find(session, id, hold=True)
        production = item.outline.production
        if body.moment is not None:
            moment = find_moment(session, production, body.moment)
            given = Range(moment.clip, moment.in_frame, moment.out_frame)
        else:
            given = _range(session, production, body, body.clip or 0)
        standing = read_item(session, item)["covers"]
        edit = RowsEdit(session, production, caller.name, f"outline {item.outline.name}: cover")
        change_item(edit, item, {"covers": [*standing, cover_values(given, body.at)]})
        edit.close()
        return _answer(session, item, response)


@router.post(
    "/outline-items/{id}/check",
    summary="Say that a stitched quote still means what was said",
    description="`If-Match` must hold the ETag that was read: it is these parts that were listened to.",
    responses={404: {}, 409: {}, 412: {}, 428: {}},
)
def check_outline_item(
    service: ServiceDep, id: RowId, response: Response, caller: CallerDep, if_match: IfMatch = None
) -> OutlineItem:
    with writing(service.sessions) as session:
        item = checked_item(session, id, if_match)
        edit = RowsEdit(
            session, item.outline.production, caller.name, f"outline {item.outline.name}: a quote checked"
        )
        check_quote(edit, item)
        edit.close()
        return _answer(session, item, response)


@router.delete(
    "/outline-items/{id}",
    status_code=204,
    summary="Take an item out",
    description="`If-Match` must hold the ETag that was read. An undo brings it back to its place.",
    responses={404: {}, 412: {}, 428: {}},
)
def delete_outline_item(service: ServiceDep, id: RowId, caller: CallerDep, if_match: IfMatch = None) -> None:
    with writing(service.sessions) as session:
        item = checked_item(session, id, if_match)
        outline = item.outline
        edit = RowsEdit(
            session, outline.production, caller.name, f"outline {outline.name}: a {item.kind.value} out"
        )
        remove_item(edit, item)
        edit.close()


def exact_seconds(seconds: float | None) -> str | None:
    """To the millisecond, which is what is kept."""
    return None if seconds is None else f"{seconds:.3f}"


def _patched(session: Session, item: models.OutlineItem, patch: ItemPatch) -> Values:
    given = {name: getattr(patch, name) for name in patch.model_fields_set}
    texts = {name: given[name] or "" for name in ("name", "mood", "note") if name in given}
    values = plain_values(**texts, seconds=exact_seconds(given.get("seconds")))
    if "seconds" in given and given["seconds"] is None:
        values["length_ms"] = None
    production = item.outline.production
    if "parts" in given:
        values["parts"] = parts_for(session, item.kind, _given(session, production, given["parts"] or ()))
    if "covers" in given:
        covers = given["covers"] or ()
        ranges = _given(session, production, covers)
        values["covers"] = [cover_values(one, body.at) for one, body in zip(ranges, covers, strict=True)]
    return values


def _ranges_of(session: Session, production: models.Production, body: ItemBody) -> list[Range]:
    if body.moment is not None:
        moment = find_moment(session, production, body.moment)
        return [Range(moment.clip, moment.in_frame, moment.out_frame)]
    if body.cues:
        return cue_ranges(session, production, body.cues)
    return _given(session, production, body.parts)


def _given(session: Session, production: models.Production, bodies: Sequence[RangeBody]) -> list[Range]:
    return [_range(session, production, one, one.clip, one.speaker) for one in bodies]


def _range(
    session: Session,
    production: models.Production,
    body: RangeBody | CoverAdded,
    clip: int,
    speaker: str = "",
) -> Range:
    return range_of(
        session,
        _clip(session, production, clip),
        body.in_frame,
        body.out_frame,
        seconds=exact_seconds(body.seconds),
        speaker=speaker,
    )


def _clip(session: Session, production: models.Production, number: int) -> models.Clip:
    clip = session.get(models.Clip, number)
    if clip is None or clip.production_id != production.id:
        raise NotFoundError(f"there is no clip {number} here", remedy="List them under /api/v1/clips.")
    return clip


def _find(session: Session, number: int, *, hold: bool = False) -> models.OutlineItem:
    item = session.scalar(select(models.OutlineItem).where(models.OutlineItem.id == number))
    if item is None:
        raise NotFoundError(f"there is no item {number}", remedy="List those of its outline.")
    if hold:
        find_row(session, item.outline_id, hold=True)
        session.refresh(item)
    return item


def checked_item(session: Session, number: int, if_match: str | None) -> models.OutlineItem:
    """An item to be edited, held. Raises NotFoundError, PreconditionFailedError for another version."""
    item = _find(session, number, hold=True)
    check_if_match(if_match, item_tag(session, item), lambda: _shape(session, item))
    return item


def item_tag(session: Session, item: models.OutlineItem) -> str:
    return snapshot_tag(item.id, read_item(session, item))


def snapshot_tag(key: int, values: Mapping[str, Any]) -> str:
    """The tag of an item, of whose snapshot that is."""
    return content_tag(key, sorted(values.items()))


def _shape(session: Session, item: models.OutlineItem) -> OutlineItem:
    state = read_outline_state(session, item.outline.production, item.outline, cutaways=0)
    one = next(one for one in state.layout.placed if one.item.id == item.id)
    values: dict[str, Any] = item_json(state.layout, one, state.judgement)
    return OutlineItem.model_validate(values)


def _answer(session: Session, item: models.OutlineItem, response: Response) -> OutlineItem:
    response.headers["ETag"] = item_tag(session, item)
    response.headers["Cache-Control"] = "private, no-cache"
    return _shape(session, item)
