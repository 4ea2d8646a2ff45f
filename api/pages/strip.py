"""The strip of hours: every camera's clips of one day in true time, as numbers that a page draws."""

from __future__ import annotations

import datetime as dt
import json
import zoneinfo
from collections.abc import Sequence
from fractions import Fraction
from typing import Annotated, Any

from fastapi import APIRouter, Path, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import ProductionName, ServiceDep
from api.handover.text import one_line
from shared.catalogue.facets import finding_links
from shared.catalogue.productions import find_day, find_production
from shared.db import reading
from shared.models import Camera, Clip, LogEntry, Production, ShootingDay

router = APIRouter()

# Bits of a clip's flags; strip.js has the same.
LOGGED, NOTICED, NG, CIRCLED = 1, 2, 4, 8


@router.get("/days/{number}/strip")
def read_strip(
    service: ServiceDep,
    number: Annotated[int, Path(ge=1, le=999_999)],
    production: ProductionName = None,
) -> Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        strip = make_strip(session, found, find_day(session, found, number))
    return Response(json.dumps(strip, separators=(",", ":")), media_type="application/json")


def make_strip(session: Session, production: Production, day: ShootingDay) -> dict[str, Any]:
    """Seconds count from `begins` of the day, so that an hour that the clocks skip is not drawn.

    hours    [second, label] of every full hour of the wall clock between the first clip and the last
    lanes    the letter of each camera that shot, in their order; the last may be empty
    clips    [id, lane, second, length in seconds, flags, what is said of it], by time
    untimed  how many clips have no known time and so no place
    """
    zone = zoneinfo.ZoneInfo(production.zone)
    begins = dt.datetime.combine(day.date, dt.time(), zone).astimezone(dt.UTC)
    rows = session.execute(
        select(
            Clip.id,
            Clip.camera_id,
            Clip.shot_at,
            Clip.frames,
            Clip.rate_num,
            Clip.rate_den,
            Clip.capture_num,
            Clip.capture_den,
            Clip.name,
            LogEntry.id,
            LogEntry.rating,
        )
        .outerjoin(LogEntry, LogEntry.clip_id == Clip.id)
        .where(Clip.day_id == day.id)
        .order_by(Clip.shot_at, Clip.id)
    ).all()
    cameras = {
        one.id: one for one in session.scalars(select(Camera).where(Camera.production_id == production.id))
    }
    there = {row.camera_id for row in rows}
    order = sorted(there, key=lambda key: (key is None, cameras[key].letter if key is not None else ""))
    lanes = {key: place for place, key in enumerate(order)}
    noticed = _with_findings(session, day)
    clips = []
    for row in rows:
        if row.shot_at is None:
            continue
        start = round((row.shot_at - begins).total_seconds(), 2)
        flags = _flags(row[9] is not None, row[0] in noticed, row.rating)
        said = _say(row, flags, _seconds(row), row.shot_at.astimezone(zone), cameras.get(row.camera_id))
        clips.append([row[0], lanes[row.camera_id], start, _seconds(row), flags, said])
    return {
        "hours": _hours(begins, zone, clips),
        "lanes": [cameras[key].letter if key is not None else "" for key in order],
        "clips": clips,
        "untimed": len(rows) - len(clips),
    }


def _with_findings(session: Session, day: ShootingDay) -> set[int]:
    of_day = select(Clip.id).where(Clip.day_id == day.id).scalar_subquery()
    found: set[int] = set()
    for rows in finding_links():
        clip_id = rows.selected_columns[0]
        found.update(session.scalars(rows.with_only_columns(clip_id).where(clip_id.in_(of_day))))
    return found


def _flags(logged: bool, noticed: bool, rating: str | None) -> int:
    flags = LOGGED * logged | NOTICED * noticed
    return flags | {"ng": NG, "circled": CIRCLED}.get(rating or "", 0)


def _say(row: Any, flags: int, seconds: float, at: dt.datetime, camera: Camera | None) -> str:
    if camera is None:
        by = "no camera named"
    else:
        by = f"camera {camera.letter} ({camera.name})" if camera.name else f"camera {camera.letter}"
    length = f"{seconds:.{1 if seconds < 60 else 0}f} s" if seconds else "length not known"
    logged = "NG" if flags & NG else "circled" if flags & CIRCLED else "logged"
    parts = [row.name.rsplit("/", 1)[-1], f"{at:%H:%M:%S}", length, by]
    parts.append(logged if flags & LOGGED else "not logged yet")
    return one_line(" · ".join([*parts, "has a finding"] if flags & NOTICED else parts))


def _seconds(row: Any) -> float:
    """How long the taking took, for drawing; 0: not known."""
    num, den = (row.capture_num, row.capture_den) if row.capture_num else (row.rate_num, row.rate_den)
    if not row.frames or not num or not den:
        return 0.0
    return round(float(Fraction(int(row.frames) * int(den), int(num))), 2)


def _hours(begins: dt.datetime, zone: dt.tzinfo, clips: Sequence[Sequence[Any]]) -> list[list[Any]]:
    if not clips:
        return []
    first = min(clip[2] for clip in clips)
    last = max(clip[2] + clip[3] for clip in clips)
    at = (begins + dt.timedelta(seconds=first)).replace(minute=0, second=0, microsecond=0)
    hours = []
    while True:
        second = int((at - begins).total_seconds())
        hours.append([second, f"{at.astimezone(zone):%H}"])
        if second > last or len(hours) > 60:
            return hours
        at += dt.timedelta(hours=1)
