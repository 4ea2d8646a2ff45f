"""The wrap report as a page to look at on the way to the car, or to print."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response

from api.deps import ProductionName, ServiceDep
from api.pages.site import SiteDep, link
from shared.catalogue.productions import find_production
from shared.catalogue.release_standing import CAUTION
from shared.catalogue.wrap import read_wrap
from shared.db import reading
from shared.plan.thresholds import PRACTICE
from shared.plan.wrap import TITLES, WrapGroup, WrapLine

router = APIRouter()


@router.get("/wrap")
def show_wrap(
    service: ServiceDep,
    site: SiteDep,
    production: ProductionName = None,
    day: Annotated[int | None, Query(ge=1, le=999_999)] = None,
) -> Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        report = read_wrap(session, found, day)
        days = [(one.number, link("/wrap", production=found.slug, day=one.number)) for one in found.days]
    return site.render(
        "wrap.html",
        production=found,
        report=report,
        groups=[(group.value, TITLES[group], report.of(group)) for group in WrapGroup],
        days=days,
        whole=link("/wrap", production=found.slug),
        hrefs={line: _href(line, found.slug) for line in report.lines},
        practice=PRACTICE,
        caution=CAUTION,
    )


def _href(line: WrapLine, slug: str) -> str | None:
    """Where to go from a line: the clip that it names, or the clips of the reel."""
    if line.about == "clip" and line.id is not None:
        return link(f"/clips/{line.id}", production=slug)
    if line.about == "reel":
        return link("/find", production=slug, q=f"reel:{line.name}")
    return None
