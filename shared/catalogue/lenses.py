"""Lenses and microphones of the kit list."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session

from shared.catalogue.chunks import in_chunks
from shared.errors import UsageError
from shared.models import Camera, Clip, ClipFile, ClipMedia, Lens, Microphone, Production, TakeFacts


def set_lens(
    session: Session,
    production: Production,
    name: str,
    *,
    focal: str | None = None,
    aperture: str | None = None,
) -> Lens:
    """Make or change a lens. `focal` is "35" or "24-70", in millimetres. Raises UsageError."""
    lens = session.scalar(select(Lens).filter_by(production_id=production.id, name=name))
    if lens is None:
        lens = Lens(production_id=production.id, name=name)
        session.add(lens)
    if focal is not None:
        match = re.fullmatch(r"\s*(\d{1,4})(?:\s*[-–]\s*(\d{1,4}))?\s*(?:mm)?\s*", focal)
        if match is None or (match[2] and int(match[2]) < int(match[1])) or int(match[1]) == 0:
            raise UsageError(f"{focal!r} is no focal length", remedy="Write 35 or 24-70, in millimetres.")
        lens.focal_min_mm = int(match[1])
        lens.focal_max_mm = int(match[2] or match[1])
    if aperture is not None:
        lens.max_aperture = aperture.strip()[:16]
    session.flush()
    return lens


def set_usual_lens(session: Session, camera: Camera, lens: Lens | None) -> int:
    """Say which lens a camera usually wears, and assume it wherever nobody and no file names one.

    Its clips of picture are brought in step, marked as assumed; a lens that a person or a file named stays.
    Returns how many have another lens now.
    """
    camera.default_lens_id = None if lens is None else lens.id
    session.flush()
    return _derive(session, Clip.camera_id == camera.id, or_(Clip.lens_assumed, Clip.lens_id.is_(None)))


def assume_lenses(session: Session, clip_ids: Iterable[int], *, forget: bool = False) -> None:
    """Give these clips the lens that their file names, else their camera's usual one, as assumed.

    What a person named stays, unless `forget`: then nobody has named one any more.
    """
    session.flush()
    for chunk in in_chunks(clip_ids):
        unsaid = () if forget else (or_(Clip.lens_assumed, Clip.lens_id.is_(None)),)
        _derive(session, Clip.id.in_(chunk), *unsaid)


def plain_name(name: str) -> str:
    """A lens's name without what people write differently: case and spaces."""
    return "".join(name.casefold().split())


def lens_of(
    named: str | None, media: ClipMedia, usual: int | None, known: Mapping[str, int]
) -> tuple[int | None, bool]:
    """The id of the lens of a clip that nobody has said one of, and whether it is only assumed.

    `named`: by the file; `usual`: the camera's; `known`: ids of the kit list by plain name. One that only the
    file knows is no lens of the kit list: the take facts hold its name. What is only heard has none.
    """
    if named is not None:
        return known.get(plain_name(named)), False
    seen = media in (ClipMedia.VIDEO, ClipMedia.IMAGE)
    return (usual, True) if seen and usual is not None else (None, False)


def _derive(session: Session, *which: ColumnElement[bool]) -> int:
    """Returns how many of these clips have another lens now."""
    rows = session.execute(
        select(Clip, TakeFacts.more, Camera.default_lens_id)
        .outerjoin(Camera, Camera.id == Clip.camera_id)
        .outerjoin(ClipFile, (ClipFile.clip_id == Clip.id) & (ClipFile.ordinal == 0))
        .outerjoin(TakeFacts, TakeFacts.file_id == ClipFile.file_id)
        .where(*which)
        .order_by(Clip.id)
    ).all()
    known = {
        production: lens_ids(session, production)
        for production in {clip.production_id for clip, _, _ in rows}
    }
    changed = 0
    for clip, more, usual in rows:
        found, assumed = lens_of(stated_lens(more or {}), clip.media, usual, known[clip.production_id])
        changed += clip.lens_id != found
        clip.lens_id, clip.lens_assumed = found, assumed
    session.flush()
    return changed


def lens_ids(session: Session, production_id: int) -> dict[str, int]:
    """The lenses of a production's kit list by plain name, for `lens_of`."""
    rows = session.execute(select(Lens.name, Lens.id).where(Lens.production_id == production_id))
    return {plain_name(name): key for name, key in rows}


def stated_lens(more: Mapping[str, Any]) -> str | None:
    """The lens that a file names, in its further facts."""
    lens = more.get("lens")
    named = lens.get("lens_model") if isinstance(lens, dict) else None
    return named if isinstance(named, str) else None


def set_microphone(session: Session, production: Production, name: str, *, kind: str = "") -> Microphone:
    """Make or change a microphone; `kind` is a code of the vocabulary's `audio`."""
    found = session.scalar(select(Microphone).filter_by(production_id=production.id, name=name))
    if found is None:
        found = Microphone(production_id=production.id, name=name)
        session.add(found)
    if kind:
        found.kind = kind
    session.flush()
    return found
