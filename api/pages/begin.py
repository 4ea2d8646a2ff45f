"""The first minutes: from an empty catalogue to the first card, one step after another."""

from __future__ import annotations

import zoneinfo
from functools import cache

from fastapi import APIRouter, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import ProductionName, Service, ServiceDep
from api.guard import is_loopback
from api.pages.site import Site, SiteDep, list_productions
from shared.catalogue.demo import demo_production
from shared.catalogue.productions import find_production
from shared.catalogue.requests import open_requests
from shared.db import reading
from shared.models import CameraKind, Lens, Production, RequestKind, ZoneRule
from shared.settings import CONFIG_NAME

router = APIRouter()

RATES = ("23.976", "24", "25", "29.97", "30", "50", "59.94", "60")
CLOCK_WORDS = {
    ZoneRule.LOCAL: "the place's own time",
    ZoneRule.UTC: "UTC",
    ZoneRule.UNKNOWN: "I don't know",
}


@router.get("/begin")
def begin(service: ServiceDep, site: SiteDep, production: ProductionName = None) -> Response:
    with reading(service.sessions) as session:
        found = find_production(session, production) if list_productions(session) else None
        return show_beginning(site, service, session, found)


def show_beginning(site: Site, service: Service, session: Session, production: Production | None) -> Response:
    """What is there already stands as done; what comes next is open."""
    settings = service.settings
    lenses = []
    if production is not None:
        rows = select(Lens).where(Lens.production_id == production.id).order_by(Lens.name)
        lenses = list(session.scalars(rows))
    demo = demo_production(session, settings.home)
    return site.render(
        "begin.html",
        production=production,
        productions=list_productions(session),
        lenses=lenses,
        kinds=list(CameraKind),
        clocks=[(rule.value, CLOCK_WORDS[rule]) for rule in ZoneRule],
        rates=RATES,
        zones=_zones(),
        destinations=sorted(settings.destinations),
        watched=len(settings.watch_folders),
        # A folder of this machine is told to whoever sits at it, and to nobody in the network.
        config=str(settings.home / CONFIG_NAME) if is_loopback(settings.host) else CONFIG_NAME,
        demo=demo,
        demo_waits=bool(open_requests(session, RequestKind.DEMO)),
    )


@cache
def _zones() -> tuple[str, ...]:
    """Zones by place; the aliases that only old programs need are left out."""
    areas = (
        "Africa/",
        "America/",
        "Antarctica/",
        "Asia/",
        "Atlantic/",
        "Australia/",
        "Europe/",
        "Indian/",
        "Pacific/",
    )
    return (*sorted(one for one in zoneinfo.available_timezones() if one.startswith(areas)), "UTC")
