"""Find: the query box, what it finds, how many there are of each value, and the searches that are kept."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response
from sqlalchemy import select

from api.deps import ProductionName, ServiceDep
from api.pages.begin import show_beginning
from api.pages.cards import show_cards, show_heard
from api.pages.narrowing import narrow_down, show_error
from api.pages.site import SiteDep, link, list_productions
from api.pages.vocabulary import log_fields
from shared.catalogue.excerpts import read_excerpts
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.catalogue.search import Cursor
from shared.db import reading
from shared.errors import QueryError
from shared.models import SavedSearch
from shared.query_fields import FIELDS

router = APIRouter()

SHOWN_ON_A_PAGE = 36
# Every field can be asked for; these are the ones that people narrow by.
SHOWN_FACETS = (
    "day",
    "camera",
    "kind",
    "size",
    "angle",
    "movement",
    "rating",
    "person",
    "tag",
    "lens",
    "finding",
    "has",
)


@router.get("/find")
def show_find(
    service: ServiceDep,
    site: SiteDep,
    q: Annotated[str, Query()] = "",
    production: ProductionName = None,
    after: Annotated[str | None, Query(max_length=64)] = None,
    view: Literal["stills", "table"] = "stills",
    part: Annotated[str | None, Query(max_length=16)] = None,
) -> Response:
    cursor = Cursor.parse(after) if after is not None else None
    with reading(service.sessions) as session:
        productions = list_productions(session)
        if not productions:
            return show_beginning(site, service, session, None)
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)

        def address(query: str, shown: str = view, place: str | None = None) -> str:
            kept = shown if shown != "stills" else None
            return link("/find", production=found.slug, q=query, view=kept, after=place)

        values = {
            "production": found,
            "q": q,
            "view": view,
            "views": [(name, address(q, name)) for name in ("stills", "table")],
            "walk": link("/log", production=found.slug, q=q),
            "error": None,
            "total": 0,
            "cards": (),
            "facets": (),
            "next": None,
        }
        status = 200
        try:
            counted = service.facets.count(session, found, q, vocabulary, fields=SHOWN_FACETS)
            page = service.facets.find_page(
                session, found, q, vocabulary, limit=SHOWN_ON_A_PAGE, after=cursor
            )
        except QueryError as error:
            values["error"], status = show_error(error), 422
        else:
            values["total"] = page.total
            cards = show_cards(
                session, found, page.clips, page.entries, vocabulary, service.settings.stills_folder
            )
            why = read_excerpts(session, [clip.id for clip in page.clips], q, vocabulary)
            values["cards"] = [
                replace(card, heard=show_heard(clip, why.get(clip.id, ())))
                for card, clip in zip(cards, page.clips, strict=True)
            ]
            values["facets"] = narrow_down(counted, q, address)
            values["next"] = page.next and address(q, place=page.next)
        if part == "found":
            return site.render("find_found.html", status, **values)
        kept = session.scalars(
            select(SavedSearch).where(SavedSearch.production_id == found.id).order_by(SavedSearch.name)
        )
        return site.render(
            "find.html",
            status,
            **values,
            kept=[
                (one.id, one.name, one.query, link("/find", production=found.slug, q=one.query))
                for one in kept
            ],
            words=[(one.name, one.help, one.choices) for one in FIELDS.values()],
            fields=log_fields(vocabulary),
        )
