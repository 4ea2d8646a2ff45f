"""Lenses and microphones of the kit list."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

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
    rows = session.execute(
        select(Clip, TakeFacts)
        .outerjoin(ClipFile, (ClipFile.clip_id == Clip.id) & (ClipFile.ordinal == 0))
        .outerjoin(TakeFacts, TakeFacts.file_id == ClipFile.file_id)
        .where(
            Clip.camera_id == camera.id,
            Clip.media.in_((ClipMedia.VIDEO, ClipMedia.IMAGE)),
            or_(Clip.lens_assumed, Clip.lens_id.is_(None)),
        )
        .order_by(Clip.id)
    )
    changed = 0
    for clip, facts in rows:
        if facts is not None and stated_lens(facts.more) is not None:
            continue
        changed += clip.lens_id != camera.default_lens_id
        clip.lens_id, clip.lens_assumed = camera.default_lens_id, lens is not None
    session.flush()
    return changed


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
