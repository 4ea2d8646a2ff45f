"""Cards: what is in the reader, what is being copied, how it went, and what may be said of each reel."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import ProductionName, ServiceDep
from api.handover.text import one_line
from api.pages.begin import show_beginning
from api.pages.live import read_requests, view_cards
from api.pages.reels import ReelView, read_reels
from api.pages.site import SiteDep, link, list_productions
from api.pages.words import say_bytes, say_date
from shared.card_folders import CardFolder, list_card_folders
from shared.catalogue.productions import find_production
from shared.db import reading
from shared.errors import AppError
from shared.models import Offload, OffloadState, Production, Reel

router = APIRouter()

SHOWN_OFFLOADS = 12
SHOWN_DAYS = 6

STATE_WORDS = {
    OffloadState.RUNNING: "running",
    OffloadState.DONE: "done",
    OffloadState.PARTIAL: "done in part",
    OffloadState.FAILED: "failed",
}


@dataclass(frozen=True, slots=True)
class OffloadView:
    """`verdict`: what it said at its end, none while it runs; `reasons`: why the card was to be kept."""

    reel: str
    when: str
    state: str
    sound: bool
    size: str
    verdict: str
    reasons: tuple[str, ...]
    report: str


@router.get("/cards")
def show_offloading(service: ServiceDep, site: SiteDep, production: ProductionName = None) -> Response:
    with reading(service.sessions) as session:
        if not list_productions(session):
            return show_beginning(site, service, session, None)
        found = find_production(session, production)
        trouble = ""
        folders: list[CardFolder] = []
        try:
            folders = list_card_folders(service.settings.watch_folders)
        except AppError as error:
            trouble = f"{error.message}. {error.remedy or ''}"
        requests = read_requests(session)
        return site.render(
            "cards.html",
            production=found,
            cards=view_cards(folders, requests),
            requests=requests,
            trouble=trouble,
            watched=len(service.settings.watch_folders),
            destinations=sorted(service.settings.destinations),
            cameras=found.cameras,
            days=found.days,
            offloads=_read_offloads(session, found),
            reels=_latest_reels(session, found),
            older=link("/days", production=found.slug) if len(found.days) > SHOWN_DAYS else "",
            live=link("/cards/live"),
        )


def _read_offloads(session: Session, production: Production) -> list[OffloadView]:
    """The latest first. Of a large card the report is large: only its verdict is read."""
    rows = session.execute(
        select(
            Offload.id,
            Reel.name,
            Offload.started_at,
            Offload.state,
            Offload.bytes_read,
            Offload.report["verdict"],
        )
        .join(Reel, Reel.id == Offload.reel_id)
        .where(Reel.production_id == production.id)
        .order_by(Offload.id.desc())
        .limit(SHOWN_OFFLOADS)
    )
    return [_view_offload(*row) for row in rows]


def _view_offload(
    number: int, reel: str, started_at: dt.datetime, state: OffloadState, size: int, verdict: Any
) -> OffloadView:
    said = ""
    reasons: tuple[str, ...] = ()
    if isinstance(verdict, dict) and verdict.get("may_be_formatted"):
        said = "Its card could be formatted, as far as it could tell when it ended."
    elif isinstance(verdict, dict):
        said = "Its card was to be kept:"
        reasons = tuple(one_line(str(one)) for one in verdict.get("reasons", ()))
    return OffloadView(
        reel=reel,
        when=f"{say_date(started_at.date())}, {started_at:%H:%M} UTC",
        state=STATE_WORDS[state],
        sound=state in (OffloadState.DONE, OffloadState.RUNNING),
        size=say_bytes(size),
        verdict=said,
        reasons=reasons,
        report=f"/api/v1/offloads/{number}/report.html",
    )


def _latest_reels(session: Session, production: Production) -> list[ReelView]:
    """Those of the latest days and of none, what needs a look first."""
    days = production.days[-SHOWN_DAYS:]
    by_day = read_reels(session, production, [*(day.id for day in days), None])
    reels = [one for of_day in by_day.values() for one in of_day]
    return sorted(reels, key=lambda one: (one.standing.sound, one.name))
