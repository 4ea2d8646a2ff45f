"""Days: what each shooting day had to get, what was shot on it, and how its copies stand."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

from fastapi import APIRouter, Path, Query, Response
from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload
from starlette.responses import RedirectResponse

from api.deps import ProductionName, ServiceDep
from api.pages.cards import ClipCard, show_cards
from api.pages.site import SiteDep, link, list_productions
from api.pages.words import Standing, say_standing
from api.reads.copies import count_copies, read_refusals
from api.reads.offloads import latest_ended
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_day, find_production
from shared.catalogue.search import Cursor, find_clips, read_entries
from shared.db import reading
from shared.models import Clip, Production, Reel, ShootingDay

router = APIRouter()

SHOWN_OF_A_DAY = 8
SHOWN_ON_A_PAGE = 60


@dataclass(frozen=True, slots=True)
class ReelView:
    name: str
    camera: str
    standing: Standing
    report: str | None  # address of its latest offload's report


@dataclass(frozen=True, slots=True)
class DayView:
    """A day with its first clips. `number` None: clips and reels that belong to no day."""

    number: int | None
    date: dt.date | None
    goal: str
    href: str
    clips: int
    length: Fraction
    reels: tuple[ReelView, ...]
    cards: tuple[ClipCard, ...]


@router.get("/")
async def go_to_days() -> Response:
    return RedirectResponse("/days", 303)


@router.get("/days")
def show_days(service: ServiceDep, site: SiteDep, production: ProductionName = None) -> Response:
    with reading(service.sessions) as session:
        productions = list_productions(session)
        if not productions:
            return site.render("empty.html", production=None)
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        totals = _read_totals(session, found)
        reels = _read_reels(session, found)
        views = []
        for day in (*found.days, None):
            clips = _read_first_clips(session, found, day)
            day_reels = reels.get(day.id if day is not None else None, ())
            if day is None and not clips and not day_reels:
                continue
            entries = read_entries(session, [clip.id for clip in clips])
            cards = show_cards(session, found, clips, entries, vocabulary, service.settings.stills_folder)
            views.append(_view_day(found, day, totals, day_reels, cards))
        return site.render("days.html", production=found, productions=productions, days=views)


@router.get("/days/{number}")
def show_day(
    service: ServiceDep,
    site: SiteDep,
    number: Annotated[int, Path(ge=1, le=999_999)],
    production: ProductionName = None,
    after: Annotated[str | None, Query(max_length=64)] = None,
) -> Response:
    cursor = Cursor.parse(after) if after is not None else None
    with reading(service.sessions) as session:
        found = find_production(session, production)
        day = find_day(session, found, number)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        page = find_clips(
            session, found, f"day:{day.number}", vocabulary, limit=SHOWN_ON_A_PAGE, after=cursor
        )
        cards = show_cards(
            session, found, page.clips, page.entries, vocabulary, service.settings.stills_folder
        )
        reels = _read_reels(session, found).get(day.id, ())
        view = _view_day(found, day, _read_totals(session, found), reels, cards)
        return site.render(
            "day.html",
            production=found,
            day=view,
            days=[(one.number, link(f"/days/{one.number}", production=found.slug)) for one in found.days],
            next=page.next and link(f"/days/{number}", production=found.slug, after=page.next),
        )


def _view_day(
    production: Production,
    day: ShootingDay | None,
    totals: dict[int | None, tuple[int, Fraction]],
    reels: Sequence[ReelView],
    cards: Sequence[ClipCard],
) -> DayView:
    clips, length = totals.get(day.id if day is not None else None, (0, Fraction(0)))
    if day is None:
        href = link("/find", production=production.slug, q="no:day")
        return DayView(None, None, "", href, clips, length, tuple(reels), tuple(cards))
    href = link(f"/days/{day.number}", production=production.slug)
    return DayView(day.number, day.date, day.goal, href, clips, length, tuple(reels), tuple(cards))


def _read_first_clips(session: Session, production: Production, day: ShootingDay | None) -> list[Clip]:
    rows = (
        select(Clip)
        .where(Clip.production_id == production.id, Clip.day_id == (day.id if day is not None else None))
        .options(joinedload(Clip.reel))
        .order_by(Clip.shot_at.is_(None), Clip.shot_at, Clip.id)
        .limit(SHOWN_OF_A_DAY)
    )
    return list(session.scalars(rows))


def _read_totals(session: Session, production: Production) -> dict[int | None, tuple[int, Fraction]]:
    """By day: how many clips, and the exact length of picture and sound together."""
    rows = session.execute(
        select(Clip.day_id, Clip.rate_num, Clip.rate_den, func.count(), func.sum(Clip.frames))
        .where(Clip.production_id == production.id)
        .group_by(Clip.day_id, Clip.rate_num, Clip.rate_den)
    )
    totals: dict[int | None, tuple[int, Fraction]] = {}
    for day_id, num, den, count, frames in rows:
        clips, length = totals.get(day_id, (0, Fraction(0)))
        seconds = Fraction(int(frames) * den, num) if num and den and frames else Fraction(0)
        totals[day_id] = (clips + count, length + seconds)
    return totals


def _read_reels(session: Session, production: Production) -> dict[int | None, list[ReelView]]:
    rows = list(
        session.scalars(
            select(Reel)
            .where(Reel.production_id == production.id)
            .options(joinedload(Reel.camera))
            .order_by(Reel.name)
        )
    )
    ids = [reel.id for reel in rows]
    copies, refusals = count_copies(session, ids), read_refusals(session, ids)
    offloads = latest_ended(session, ids)
    by_day: dict[int | None, list[ReelView]] = defaultdict(list)
    for reel in rows:
        camera = reel.camera.letter if reel.camera is not None else ""
        standing = say_standing(copies[reel.id], refusals.get(reel.id, ()))
        offload = offloads.get(reel.id)
        report = f"/api/v1/offloads/{offload}/report.html" if offload is not None else None
        by_day[reel.day_id].append(ReelView(reel.name, camera, standing, report))
    return by_day
