"""Days: what each shooting day had to get, what was shot on it and when, and how its copies stand."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

from fastapi import APIRouter, Query, Response
from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session
from starlette.responses import RedirectResponse

from api.deps import ProductionName, ServiceDep
from api.handover.text import short_name
from api.pages.begin import show_beginning
from api.pages.cards import StillView, show_still
from api.pages.reels import ReelGroup, group_reels, read_reels
from api.pages.site import SiteDep, link, list_productions
from api.reads.clips import read_stills
from shared.catalogue.productions import find_production
from shared.db import reading
from shared.models import Clip, LogEntry, Production, ShootingDay
from shared.settings import Settings

router = APIRouter()

SHOWN_DAYS = 10
STILLS_OF_A_DAY = 4


@dataclass(frozen=True, slots=True)
class Totals:
    """`length`: exact, of picture and sound together. `logged`: clips that have an entry."""

    clips: int = 0
    length: Fraction = Fraction(0)
    logged: int = 0


@dataclass(frozen=True, slots=True)
class PictureLink:
    href: str
    name: str
    still: StillView


@dataclass(frozen=True, slots=True)
class DayView:
    """A day at a glance. `number` None: clips and reels that belong to no day."""

    number: int | None
    date: dt.date | None
    goal: str
    href: str
    strip: str  # address of what the strip of hours is drawn from; empty: there is none
    totals: Totals
    reels: tuple[ReelGroup, ...]
    pictures: tuple[PictureLink, ...]


@router.get("/")
async def go_to_days() -> Response:
    return RedirectResponse("/days", 303)


@router.get("/days")
def show_days(
    service: ServiceDep,
    site: SiteDep,
    production: ProductionName = None,
    until: Annotated[int | None, Query(ge=1, le=999_999)] = None,
) -> Response:
    with reading(service.sessions) as session:
        productions = list_productions(session)
        if not productions:
            return show_beginning(site, service, session, None)
        found = find_production(session, production)
        if not found.days and not _has_clips(session, found):
            return show_beginning(site, service, session, found)
        shown, earlier, later = _cut(found.days, until)
        ids: list[int | None] = [day.id for day in shown]
        last = later is None
        views = _view_days(session, found, shown, [*ids, None] if last else ids, service.settings)
        return site.render(
            "days.html",
            production=found,
            productions=productions,
            days=views,
            earlier=earlier and link("/days", production=found.slug, until=earlier),
            later=later and link("/days", production=found.slug, until=later),
        )


def _has_clips(session: Session, production: Production) -> bool:
    return session.scalar(select(Clip.id).where(Clip.production_id == production.id).limit(1)) is not None


def _cut(
    days: Sequence[ShootingDay], until: int | None
) -> tuple[Sequence[ShootingDay], int | None, int | None]:
    """The days up to one, so many of them; and up to which the page before and the page after go."""
    end = len(days) if until is None else sum(day.number <= until for day in days)
    begin = max(0, end - SHOWN_DAYS)
    earlier = days[begin - 1].number if begin else None
    later = days[min(end + SHOWN_DAYS, len(days)) - 1].number if end < len(days) else None
    return days[begin:end], earlier, later


def _view_days(
    session: Session,
    production: Production,
    days: Sequence[ShootingDay],
    ids: Sequence[int | None],
    settings: Settings,
) -> list[DayView]:
    totals = read_totals(session, production, ids)
    reels = read_reels(session, production, ids)
    pictures = _read_pictures(session, production, ids, totals, settings)
    views = []
    for day in (*days, None) if None in ids else days:
        key = day.id if day is not None else None
        if day is None and key not in totals and key not in reels:
            continue
        slug = production.slug
        views.append(
            DayView(
                number=day.number if day is not None else None,
                date=day.date if day is not None else None,
                goal=day.goal if day is not None else "",
                href=link(f"/days/{day.number}", production=slug)
                if day is not None
                else link("/find", production=slug, q="no:day"),
                strip=link(f"/days/{day.number}/strip", production=slug) if day is not None else "",
                totals=totals.get(key, Totals()),
                reels=tuple(group_reels(reels.get(key, ()))),
                pictures=tuple(pictures.get(key, ())),
            )
        )
    return views


def _on_days(ids: Sequence[int | None]) -> list[ColumnElement[bool]]:
    """Clips of these days; with None among them those of no day, too, of whatever production.

    Which production they are of is looked at in the rows and not asked for: a database that sees both
    conditions goes through the whole production for ten days of it.
    """
    of_days = Clip.day_id.in_([one for one in ids if one is not None])
    return [of_days, Clip.day_id.is_(None)] if None in ids else [of_days]


def read_totals(
    session: Session, production: Production, ids: Sequence[int | None]
) -> dict[int | None, Totals]:
    """By day; a day without clips has no key."""
    own = (Clip.production_id, Clip.day_id, Clip.rate_num, Clip.rate_den)
    rows = (
        select(*own, func.count(), func.sum(Clip.frames), func.count(LogEntry.id))
        .outerjoin(LogEntry, LogEntry.clip_id == Clip.id)
        .group_by(*own)
    )
    totals: dict[int | None, Totals] = {}
    for row in (row for condition in _on_days(ids) for row in session.execute(rows.where(condition))):
        owner, day_id, num, den, count, frames, logged = row
        if owner != production.id:
            continue
        so_far = totals.get(day_id, Totals())
        seconds = Fraction(int(frames) * den, num) if num and den and frames else Fraction(0)
        totals[day_id] = Totals(so_far.clips + count, so_far.length + seconds, so_far.logged + logged)
    return totals


def _read_pictures(
    session: Session,
    production: Production,
    ids: Sequence[int | None],
    totals: Mapping[int | None, Totals],
    settings: Settings,
) -> dict[int | None, list[PictureLink]]:
    """Of each day some clips that lie evenly over it, by their middle stills."""
    picked: dict[int | None, list[int]] = defaultdict(list)
    place = func.row_number().over(
        partition_by=(Clip.production_id, Clip.day_id), order_by=(Clip.shot_at, Clip.id)
    )
    places = {day_id: set(_spread(totals[day_id].clips)) for day_id in ids if day_id in totals}
    wanted = sorted({one for own in places.values() for one in own})
    ordered = select(Clip.production_id, Clip.day_id, Clip.id, place.label("place"))
    for condition in _on_days(ids):
        own = ordered.where(condition).subquery()
        rows = select(own).where(own.c.place.in_(wanted)).order_by(own.c.day_id, own.c.place)
        for owner, day_id, clip_id, at in session.execute(rows):
            if owner == production.id and at in places.get(day_id, ()):
                picked[day_id].append(clip_id)
    chosen = [one for clips in picked.values() for one in clips]
    stills = read_stills(session, chosen)
    named = {one.id: one for one in session.scalars(select(Clip).where(Clip.id.in_(chosen)))}
    found: dict[int | None, list[PictureLink]] = defaultdict(list)
    for day, clips in picked.items():
        for clip_id in clips:
            name = short_name(named[clip_id])
            if of_clip := stills.get(clip_id):
                still = show_still(of_clip[len(of_clip) // 2], name, settings.stills_folder)
                found[day].append(PictureLink(f"/clips/{clip_id}", name, still))
    return found


def _spread(clips: int) -> list[int]:
    """Places from 1."""
    count = min(STILLS_OF_A_DAY, clips)
    return [1 + (2 * place + 1) * clips // (2 * count) for place in range(count)]
