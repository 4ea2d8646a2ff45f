"""Find: the query box, what it finds, and how many there are of each value."""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Response

from api.deps import ProductionName, ServiceDep
from api.errors import status_of
from api.pages.cards import show_cards
from api.pages.pointer import Pointer, point_at
from api.pages.site import SiteDep, link, list_productions
from shared.catalogue.facets import FacetValue
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.catalogue.search import Cursor
from shared.db import reading
from shared.errors import QueryError
from shared.facets.state import FacetCounts
from shared.query import Exactly, Match, render_query
from shared.query import Query as ParsedQuery

router = APIRouter()

SHOWN_ON_A_PAGE = 48
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
)
SHOWN_OF_A_FACET = 8


@dataclass(frozen=True, slots=True)
class FacetLink:
    label: str
    count: int
    href: str


@dataclass(frozen=True, slots=True)
class FoundError:
    """A query's error, with the query cut at its place."""

    message: str
    remedy: str
    pointer: Pointer


@router.get("/find")
def show_find(
    service: ServiceDep,
    site: SiteDep,
    q: Annotated[str, Query()] = "",
    production: ProductionName = None,
    after: Annotated[str | None, Query(max_length=64)] = None,
) -> Response:
    cursor = Cursor.parse(after) if after is not None else None
    with reading(service.sessions) as session:
        productions = list_productions(session)
        if not productions:
            return site.render("empty.html", production=None)
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        try:
            counted = service.facets.count(session, found, q, vocabulary, fields=SHOWN_FACETS)
            page = service.facets.find_page(
                session, found, q, vocabulary, limit=SHOWN_ON_A_PAGE, after=cursor
            )
        except QueryError as error:
            shown = FoundError(error.message, error.remedy or "", point_at(error.query, error.column))
            return site.render(
                "find.html",
                status_of(type(error)),
                production=found,
                q=q,
                error=shown,
                total=0,
                cards=(),
                facets=(),
                next=None,
            )
        cards = show_cards(
            session, found, page.clips, page.entries, vocabulary, service.settings.stills_folder
        )
        return site.render(
            "find.html",
            production=found,
            q=q,
            error=None,
            total=page.total,
            cards=cards,
            facets=_facet_links(found.slug, q, counted),
            next=page.next and link("/find", production=found.slug, q=q, after=page.next),
        )


def _facet_links(production: str, q: str, counted: FacetCounts) -> list[tuple[str, list[FacetLink]]]:
    """By field its most frequent values, each as the query with this value added.

    A value that all clips have narrows nothing down and is left out.
    """
    shown = []
    for field, values in counted.fields.items():
        narrowing = [one for one in values if one.count < counted.total]
        most = heapq.nlargest(SHOWN_OF_A_FACET, narrowing, key=lambda one: one.count)
        picked = {one.value for one in most}
        links = [
            FacetLink(
                _say_value(field, one),
                one.count,
                link("/find", production=production, q=narrowed(q, field, one.value)),
            )
            for one in narrowing
            if one.value in picked
        ]
        if links:
            shown.append((_say_field(field), links))
    return shown


def narrowed(q: str, field: str, value: str) -> str:
    term = render_query(ParsedQuery((Match(field, (Exactly(value),)),)))
    return f"{q.strip()} {term}".strip()


def _say_field(field: str) -> str:
    return {"int_ext": "Inside or outside"}.get(field, field.replace("_", " ").capitalize())


def _say_value(field: str, one: FacetValue) -> str:
    if field == "day":
        return f"Day {one.value}"
    if field == "camera" and one.label not in ("", one.value):
        return f"{one.value} · {one.label}"
    return one.label or one.value
