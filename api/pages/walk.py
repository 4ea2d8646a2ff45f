"""Logging by keyboard: clips one after another, one key for each value."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response

from api.deps import ProductionName, ServiceDep
from api.pages.begin import show_beginning
from api.pages.narrowing import show_error
from api.pages.site import SiteDep, link, list_productions
from api.pages.vocabulary import NAMES, ROUND, TEXTS, log_fields
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.db import reading
from shared.errors import QueryError

router = APIRouter()


@router.get("/log")
def show_walk(
    service: ServiceDep,
    site: SiteDep,
    q: Annotated[str, Query(max_length=4000)] = "",
    production: ProductionName = None,
) -> Response:
    with reading(service.sessions) as session:
        if not list_productions(session):
            return show_beginning(site, service, session, None)
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        error, total, status = None, 0, 200
        try:
            total = service.facets.count(session, found, q, vocabulary, fields=()).total
        except QueryError as raised:
            error, status = show_error(raised), 422
        return site.render(
            "log.html",
            status,
            production=found,
            q=q,
            error=error,
            total=total,
            fields=log_fields(vocabulary),
            round=ROUND,
            texts=TEXTS,
            names=NAMES,
            days=[
                (one.number, link("/log", production=found.slug, q=f"day:{one.number}")) for one in found.days
            ],
            left=link("/log", production=found.slug, q="no:log"),
        )
