"""The outline's rows as snapshots, and filled from them: what the journal and an undo need to know of each.

An item's parts and cover are of its snapshot: one item, one row of the journal.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.journal import Values
from shared.catalogue.rows import RowKind
from shared.errors import ConflictError
from shared.models import (
    Clip,
    ItemKind,
    NarrationLine,
    Outline,
    OutlineCover,
    OutlineItem,
    OutlinePart,
    OutlineVersion,
    Production,
)

_ITEM_PLAIN = ("rank", "name", "mood", "note", "length_ms", "checked_by")


def read_outline_row(_session: Session, outline: Outline) -> Values:
    return {"name": outline.name, "target_seconds": outline.target_seconds}


def _fill_outline(
    session: Session, production: Production, outline: Outline, values: Mapping[str, Any]
) -> None:
    if "name" in values:
        with session.no_autoflush:
            there = select(Outline.id).where(
                Outline.production_id == production.id, func.lower(Outline.name) == values["name"].lower()
            )
            twin = session.scalar(there)
        if twin is not None and twin != outline.id:
            raise ConflictError(
                f"there is an outline {values['name']} already", remedy="Give it another name."
            )
        outline.name = values["name"]
    if "target_seconds" in values:
        outline.target_seconds = values["target_seconds"]


def _outline_held(session: Session, outline: Outline) -> str | None:
    for model, words in ((OutlineItem, "items are in it"), (OutlineVersion, "versions of it are kept")):
        count = session.scalar(select(func.count()).select_from(model).where(model.outline_id == outline.id))
        if count:
            return f"{count} {words}"
    return None


def read_item(_session: Session, item: OutlineItem) -> Values:
    return {
        **{name: getattr(item, name) for name in _ITEM_PLAIN},
        "outline": item.outline_id,
        "kind": item.kind.value,
        "line": item.line.code if item.line is not None else None,
        "checked_at": item.checked_at.isoformat() if item.checked_at is not None else None,
        "parts": [
            {
                "clip": part.clip_id,
                "in": part.in_frame,
                "out": part.out_frame,
                "speaker": part.speaker,
                "words": part.words,
                "hash": part.text_hash,
            }
            for part in item.parts
        ],
        "covers": [
            {"clip": one.clip_id, "in": one.in_frame, "out": one.out_frame, "at": one.offset_frames}
            for one in item.covers
        ],
    }


def _fill_item(
    session: Session, production: Production, item: OutlineItem, values: Mapping[str, Any]
) -> None:
    with session.no_autoflush:
        _fill_references(session, production, item, values)
    for name in _ITEM_PLAIN:
        if name in values:
            setattr(item, name, values[name])
    if "kind" in values:
        item.kind = ItemKind(values["kind"])
    if "checked_at" in values:
        at = values["checked_at"]
        item.checked_at = dt.datetime.fromisoformat(at) if at is not None else None
    if "parts" in values:
        item.parts = [_part(place, one) for place, one in enumerate(values["parts"])]
    if "covers" in values:
        item.covers = [_cover(one) for one in sorted(values["covers"], key=lambda one: one["at"])]


def _fill_references(
    session: Session, production: Production, item: OutlineItem, values: Mapping[str, Any]
) -> None:
    if "outline" in values:
        if session.get(Outline, values["outline"]) is None:
            raise _gone("the outline")
        item.outline_id = values["outline"]
    if "line" in values:
        code = values["line"]
        line = select(NarrationLine).filter_by(production_id=production.id, code=code)
        item.line = session.scalar(line) if code is not None else None
        if code is not None and item.line is None:
            raise _gone(f"narration line {code}")
    _check_clips(session, [*values.get("parts", ()), *values.get("covers", ())])


def _check_clips(session: Session, ranges: Sequence[Mapping[str, Any]]) -> None:
    wanted = {one["clip"] for one in ranges}
    there = set(session.scalars(select(Clip.id).where(Clip.id.in_(wanted)))) if wanted else set()
    if missing := wanted - there:
        raise _gone(f"clip {min(missing)}")


def _part(place: int, values: Mapping[str, Any]) -> OutlinePart:
    return OutlinePart(
        place=place,
        clip_id=values["clip"],
        in_frame=values["in"],
        out_frame=values["out"],
        speaker=values.get("speaker", ""),
        words=values.get("words", ""),
        text_hash=values.get("hash", ""),
    )


def _cover(values: Mapping[str, Any]) -> OutlineCover:
    return OutlineCover(
        clip_id=values["clip"],
        in_frame=values["in"],
        out_frame=values["out"],
        offset_frames=values["at"],
    )


def _gone(what: str) -> ConflictError:
    return ConflictError(f"{what} is not there any more", remedy="Make it again first.")


def read_version(_session: Session, version: OutlineVersion) -> Values:
    return {"outline": version.outline_id, "name": version.name, "content": version.content}


def _fill_version(
    session: Session, _production: Production, version: OutlineVersion, values: Mapping[str, Any]
) -> None:
    if "outline" in values:
        if session.get(Outline, values["outline"]) is None:
            raise _gone("the outline")
        version.outline_id = values["outline"]
    if "name" in values:
        with session.no_autoflush:
            twin = session.scalar(
                select(OutlineVersion.id).where(
                    OutlineVersion.outline_id == version.outline_id,
                    func.lower(OutlineVersion.name) == values["name"].lower(),
                )
            )
        if twin is not None and twin != version.id:
            raise ConflictError(
                f"a version {values['name']} is kept already", remedy="Give this one another name."
            )
        version.name = values["name"]
    if "content" in values:
        version.content = values["content"]


OUTLINE = RowKind("outline", 2, "outline", Outline, read_outline_row, _fill_outline, _outline_held)
ITEM = RowKind("outline item", 3, "item", OutlineItem, read_item, _fill_item, leaf=True)
VERSION = RowKind("outline version", 3, "version", OutlineVersion, read_version, _fill_version, leaf=True)
OUTLINE_KINDS = (OUTLINE, ITEM, VERSION)
