"""One day: a contact sheet in setups, to look over, narrow down and log many at once."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Path, Query, Response
from sqlalchemy.orm import Session

from api.deps import ProductionName, Service, ServiceDep
from api.pages.cards import ClipCard, show_cards
from api.pages.days import Totals, read_totals
from api.pages.narrowing import Facets, FoundError, narrow_down, show_error
from api.pages.reels import read_reels
from api.pages.setups import Setup, group_setups
from api.pages.site import SiteDep, link
from api.pages.vocabulary import log_fields
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_day, find_production
from shared.catalogue.search import Cursor, Page
from shared.db import reading
from shared.errors import QueryError
from shared.models import Production
from shared.vocabulary import Vocabulary

router = APIRouter()

SHOWN_ON_A_PAGE = 40
NARROWED_BY = ("camera", "lens", "kind", "size", "movement", "rating", "person", "tag", "finding", "has")


@dataclass(frozen=True, slots=True)
class SetupView:
    title: str
    about: str
    cards: tuple[ClipCard, ...]


@router.get("/days/{number}")
def show_day(
    service: ServiceDep,
    site: SiteDep,
    number: Annotated[int, Path(ge=1, le=999_999)],
    production: ProductionName = None,
    q: Annotated[str, Query(max_length=4000)] = "",
    after: Annotated[str | None, Query(max_length=64)] = None,
    part: Annotated[str | None, Query(max_length=16)] = None,
) -> Response:
    cursor = Cursor.parse(after) if after is not None else None
    with reading(service.sessions) as session:
        found = find_production(session, production)
        day = find_day(session, found, number)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        whole = f"day:{day.number} {q}".strip()
        error: FoundError | None = None
        page = Page((), {}, {}, None, 0)
        facets: Facets = ()
        try:
            page = service.facets.find_page(
                session, found, whole, vocabulary, limit=SHOWN_ON_A_PAGE, after=cursor
            )
            facets = narrow_down(
                service.facets.count(session, found, whole, vocabulary, fields=NARROWED_BY),
                q,
                lambda query: link(f"/days/{number}", production=found.slug, q=query),
            )
        except QueryError as raised:
            error = show_error(raised)
        values = {
            "production": found,
            "day": day,
            "q": q,
            "whole": whole,
            "error": error,
            "total": page.total,
            "setups": _view_setups(service, session, found, vocabulary, page),
            "facets": facets,
            "plain": link(f"/days/{number}", production=found.slug),
            "next": page.next and link(f"/days/{number}", production=found.slug, q=q, after=page.next),
            "walk": link("/log", production=found.slug, q=whole),
        }
        if part == "found":
            return site.render("day_found.html", 200 if error is None else 422, **values)
        return site.render(
            "day.html",
            200 if error is None else 422,
            **values,
            totals=read_totals(session, found, [day.id]).get(day.id, Totals()),
            reels=read_reels(session, found, [day.id]).get(day.id, ()),
            days=[(one.number, link(f"/days/{one.number}", production=found.slug)) for one in found.days],
            strip=link(f"/days/{number}/strip", production=found.slug),
            fields=log_fields(vocabulary),
        )


def _view_setups(
    service: Service, session: Session, production: Production, vocabulary: Vocabulary, page: Page
) -> list[SetupView]:
    shown = show_cards(
        session, production, page.clips, page.entries, vocabulary, service.settings.stills_folder
    )
    cards = dict(zip((clip.id for clip in page.clips), shown, strict=True))
    zone = zoneinfo.ZoneInfo(production.zone)
    return [
        SetupView(
            title=_say_kit(setup),
            about=_say_span(setup, zone),
            cards=tuple(cards[clip.id] for clip in setup.clips),
        )
        for setup in group_setups(page.clips)
    ]


def _say_kit(setup: Setup) -> str:
    first = setup.clips[0]
    camera = f"Camera {first.camera.letter}" if first.camera is not None else "No camera named"
    return f"{camera} · {first.lens.name}" if first.lens is not None else camera


def _say_span(setup: Setup, zone: dt.tzinfo) -> str:
    if setup.begins is None or setup.ends is None:
        return "time not known"
    return _span(setup.begins.astimezone(zone), setup.ends.astimezone(zone))


def _span(begins: dt.datetime, ends: dt.datetime) -> str:
    first, last = f"{begins:%H:%M}", f"{ends:%H:%M}"
    return first if first == last else f"{first}–{last}"
