"""Lenses and microphones of the kit list."""

from __future__ import annotations

import re

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.errors import UsageError
from shared.models import Lens, Microphone, Production


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
