"""Cards: what is in the reader, what is being copied, how it went, and what may be said of each reel."""

from __future__ import annotations

import asyncio
import datetime as dt
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from anyio import to_thread
from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session, defer
from starlette.responses import StreamingResponse

from api.deps import ProductionName, Service, ServiceDep
from api.handover.text import one_line
from api.pages.begin import show_beginning
from api.pages.reels import ReelView, read_reels
from api.pages.site import SiteDep, link, list_productions
from api.pages.words import say_bytes, say_date
from api.schemas.base import shown, shown_json
from api.schemas.work import shown_order
from shared import models
from shared.card_folders import CardFolder, card_folder_id, list_card_folders
from shared.catalogue.productions import find_production
from shared.catalogue.requests import open_requests
from shared.db import Sessions, reading
from shared.errors import AppError
from shared.models import Offload, OffloadState, Production, Reel, RequestKind

router = APIRouter()

SHOWN_OFFLOADS = 12
SHOWN_REQUESTS = 8
SHOWN_DAYS = 6
POLL_SECONDS = 0.5
# A comment now and then, so that whatever lies between does not take the silence for the end.
QUIET_SECONDS = 15.0
LONGEST_SECONDS = 15 * 60.0  # then the browser asks again by itself

STATE_WORDS = {
    OffloadState.RUNNING: "running",
    OffloadState.DONE: "done",
    OffloadState.PARTIAL: "done in part",
    OffloadState.FAILED: "failed",
}


@dataclass(frozen=True, slots=True)
class CardView:
    id: str
    name: str
    asked: bool  # an offload of it is waiting or running


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
        waiting = open_requests(session, RequestKind.OFFLOAD)
        asked = {_card_of(request) for request in waiting}
        return site.render(
            "cards.html",
            production=found,
            cards=[CardView(one.id, one.name, one.id in asked) for one in folders],
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


def _card_of(request: models.Request) -> str:
    card = str(request.order.get("card", ""))
    return card_folder_id(Path(card)) if Path(card).is_absolute() else card


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


# -- live ---------------------------------------------------------------------------------------------


@router.get("/cards/live")
async def follow_requests(service: ServiceDep, request: Request) -> Response:
    """Server-sent events (WHATWG HTML, 9.2): the cards and the open requests, whenever they are others."""
    return StreamingResponse(
        _events(service, request), media_type="text/event-stream", headers={"Cache-Control": "no-store"}
    )


async def _events(service: Service, request: Request) -> AsyncIterator[str]:
    last, silent, waited = "", 0.0, 0.0
    while waited < LONGEST_SECONDS and not await request.is_disconnected():
        now = await to_thread.run_sync(_look, service)
        if now != last:
            last, silent = now, 0.0
            yield f"data: {now}\n\n"
        elif silent >= QUIET_SECONDS:
            silent = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(POLL_SECONDS)
        silent, waited = silent + POLL_SECONDS, waited + POLL_SECONDS


def _look(service: Service) -> str:
    try:
        cards = [
            {"id": one.id, "name": one.name} for one in list_card_folders(service.settings.watch_folders)
        ]
    except AppError:
        cards = []
    return json.dumps({"cards": cards, "requests": _open(service.sessions)}, separators=(",", ":"))


def _open(sessions: Sessions) -> list[dict[str, Any]]:
    """The latest requests: those that wait or run, and those that ended while nobody looked.

    Of a result only what a line says: an offload's holds its whole report.
    """
    row = models.Request
    with reading(sessions) as session:
        rows = session.execute(
            select(row, row.result["folder"].as_string(), row.result["reel"].as_string())
            .options(defer(row.result, raiseload=True))
            .order_by(row.id.desc())
            .limit(SHOWN_REQUESTS)
        ).all()
    return [
        {
            "id": one.id,
            "kind": one.kind.value,
            "state": one.state.value,
            "order": shown_order(one),
            "progress": shown_json(one.progress),
            "error": shown(one.error) if one.error is not None else None,
            "folder": shown(folder) if folder is not None else None,
            "reel": reel,
        }
        for one, folder, reel in rows
    ]
