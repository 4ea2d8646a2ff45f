"""What the forms of an outline's page do: each is an operation of the API, and leads back to its place."""

from __future__ import annotations

from fastapi import APIRouter, Response
from sqlalchemy.orm import Session

from api.deps import CallerDep, RowId, ServiceDep
from api.pages.forms import Form, FormDep, body_of, go_to
from api.pages.site import link
from api.routes.outline_items import (
    check_outline_item,
    checked_item,
    delete_outline_item,
    exact_seconds,
    patch_outline_item,
    post_outline_cover,
    post_outline_item,
)
from api.routes.outlines import post_outline, post_outline_version, return_outline
from api.schemas.outlines import CoverAdded, ItemBody, ItemPatch, OutlineBody, VersionBody
from shared.catalogue.clip_places import place_text, read_frame
from shared.catalogue.outline_values import Range, range_of
from shared.catalogue.outlines import trim_item
from shared.catalogue.rows import RowsEdit
from shared.db import writing
from shared.errors import UsageError
from shared.models import Clip, ClipMedia, OutlineItem, Production

router = APIRouter(prefix="/outline")


def outline_link(outline: int | None, focus: str = "") -> str:
    """`focus`: the control that is to have the focus there."""
    return link("/outline", outline=outline, focus=focus)


@router.post("/new")
def make_outline(service: ServiceDep, caller: CallerDep, form: FormDep) -> Response:
    body = body_of(OutlineBody, {"name": form.text("name"), "target_seconds": form.number("target_seconds")})
    made = post_outline(service, body, Response(), caller, form.text("production") or None)
    return go_to(outline_link(made.id))


@router.post("/{id}/items")
def add_item(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    photograph, seconds = form.number("photograph"), _seconds(form)
    stands = photograph is not None
    body = body_of(
        ItemBody,
        {
            "kind": form.text("kind"),
            "name": form.text("name"),
            "mood": form.text("mood"),
            "seconds": None if stands else seconds,
            "parts": [{"clip": photograph, "seconds": seconds}] if stands else [],
            "line": form.text("line") or None,
            "moment": form.number("moment"),
            "cues": [_whole(one) for one in form.all("cues")],
        },
    )
    made = post_outline_item(service, id, body, Response(), caller)
    return go_to(outline_link(id) + f"#item-{made.id}")


@router.post("/{id}/versions")
def keep(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    post_outline_version(service, id, body_of(VersionBody, {"name": form.text("name")}), caller)
    return go_to(outline_link(id) + "#versions")


@router.post("/versions/{id}/return")
def return_to(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    outline = return_outline(service, id, Response(), caller, form.text("tag") or None)
    return go_to(outline_link(outline.id))


@router.post("/items/{id}")
def change_item(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    """`act` says what; without it the item goes to `place`. The control that was pressed keeps the focus."""
    outline, tag, act = form.number("outline"), form.text("tag") or None, form.text("act")
    place = form.number("place") or 1
    if act == "remove":
        delete_outline_item(service, id, caller, tag)
        return go_to(outline_link(outline))
    if act == "check":
        check_outline_item(service, id, Response(), caller, tag)
        return go_to(outline_link(outline) + f"#item-{id}")
    if act == "uncover":
        patch = ItemPatch(covers=[])
    elif act in ("up", "down"):
        number = form.number("number") or 1
        patch = ItemPatch(place=max(1, number - 1 if act == "up" else number + 1))
    else:
        patch = body_of(ItemPatch, {"place": place})
    patch_outline_item(service, id, patch, Response(), caller, tag)
    return go_to(outline_link(outline, f"{act or 'up'}-{id}"))


@router.post("/items/{id}/trim")
def trim(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    """Another in and out of a part, as typed or by a `step`, or other seconds of a photograph, or (without
    `part`) of what has no range. The control that was pressed keeps the focus."""
    number, step, part = form.number("outline"), form.text("step"), form.number("part") or 1
    focus = f"{step or 'trim'}-{id}-{part}"
    if "part" not in form.values:
        patch = body_of(ItemPatch, {"seconds": _seconds(form)})
        patch_outline_item(service, id, patch, Response(), caller, form.text("tag") or None)
        return go_to(outline_link(number, focus))
    with writing(service.sessions) as session:
        item = checked_item(session, id, form.text("tag") or None)
        outline = item.outline
        what = f"outline {outline.name}: trim a {item.kind.value}"
        edit = RowsEdit(session, outline.production, caller.name, what)
        trim_item(edit, item, part, _trimmed(session, item, part, form, step))
        edit.close()
    return go_to(outline_link(number, focus))


def _trimmed(session: Session, item: OutlineItem, part: int, form: Form, step: str) -> Range:
    """What is shown of a place may be less exact than it: only another text is another place."""
    if not 1 <= part <= len(item.parts):
        raise UsageError("the item has no such part", remedy="Load the page again.")
    one = item.parts[part - 1]
    if "seconds" in form.values:
        return range_of(session, one.clip, seconds=exact_seconds(_seconds(form)))
    places = []
    for name, standing in (("in", one.in_frame), ("out", one.out_frame)):
        typed = form.text(name)
        same = typed in ("", place_text(one.clip, standing))
        places.append(standing if same else read_frame(one.clip, typed))
    which, _, way = step.partition("-")
    by = {"back": -1, "on": 1}.get(way, 0) * _step(one.clip, item.outline.production)
    return Range(one.clip, places[0] + by * (which == "in"), places[1] + by * (which == "out"))


def _step(clip: Clip, production: Production) -> int:
    """A frame of a picture; of a sound the samples of a frame of the edit."""
    if clip.media is not ClipMedia.AUDIO or clip.per_second is None:
        return 1
    return max(1, round(clip.per_second / production.rate.fraction))


@router.post("/items/{id}/covers")
def cover_item(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    """With a moment, or a photograph: "photograph 12", which stands for `seconds`."""
    kind, _, key = form.text("cover").rpartition(" ")
    given = {"clip": _whole(key), "seconds": _seconds(form)} if kind else {"moment": _whole(key)}
    body = body_of(CoverAdded, {**given, "at": form.number("at") or 0})
    post_outline_cover(service, id, body, Response(), caller)
    return go_to(outline_link(form.number("outline")) + f"#item-{id}")


def _seconds(form: Form) -> float | None:
    text = form.text("seconds")
    if not text:
        return None
    try:
        return float(text)
    except ValueError as error:
        raise UsageError("that is no length", remedy="Go back and write seconds: 4.5.") from error


def _whole(text: str) -> int:
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 18 else 0
