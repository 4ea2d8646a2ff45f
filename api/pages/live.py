"""Cards and requests as they are at this moment, written anew whenever they are others."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Any

from anyio import to_thread
from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session, defer
from starlette.responses import StreamingResponse

from api.deps import Service, ServiceDep
from api.handover.text import one_line
from api.pages.site import Site, SiteDep
from api.pages.words import say_bytes
from api.schemas.base import shown, shown_json
from api.schemas.work import shown_order
from shared import models
from shared.card_folders import CardFolder, list_card_folders
from shared.db import reading
from shared.errors import AppError
from shared.models import RequestKind, RequestState

router = APIRouter()

SHOWN_REQUESTS = 8
POLL_SECONDS = 0.5
# A comment now and then, so that whatever lies between does not take the silence for the end.
QUIET_SECONDS = 15.0
LONGEST_SECONDS = 15 * 60.0  # then the browser asks again by itself

KIND_WORDS = {RequestKind.OFFLOAD: "Offload", RequestKind.HANDOVER: "Hand-over", RequestKind.DEMO: "Demo"}
STATE_WORDS = {
    RequestState.QUEUED: "waits for the worker",
    RequestState.RUNNING: "running",
    RequestState.DONE: "done",
    RequestState.FAILED: "failed",
}


@dataclass(frozen=True, slots=True)
class CardView:
    id: str
    name: str
    asked: bool  # an offload of it is waiting or running


@dataclass(frozen=True, slots=True)
class RequestView:
    """One request. `bars`: text, value and most of each; `said`: what went wrong, or the folder made;
    `reel`: the one that is copied; `card`: the id of the card that it is of."""

    id: int
    name: str
    state: str
    open: bool
    failed: bool
    step: str
    bars: tuple[tuple[str, int, int], ...]
    said: str
    reel: str
    card: str


def view_cards(folders: Sequence[CardFolder], requests: Sequence[RequestView]) -> list[CardView]:
    asked = {one.card for one in requests if one.open}
    return [CardView(one.id, one.name, one.id in asked) for one in folders]


def read_requests(session: Session) -> list[RequestView]:
    """The latest requests: those that wait or run, and those that ended.

    Of a result only what a line says: an offload's holds its whole report.
    """
    row = models.Request
    rows = session.execute(
        select(row, row.result["folder"].as_string(), row.result["reel"].as_string())
        .options(defer(row.result, raiseload=True))
        .order_by(row.state.in_([RequestState.QUEUED, RequestState.RUNNING]).desc(), row.id.desc())
        .limit(SHOWN_REQUESTS)
    ).all()
    return [_view(one, folder or "", reel or "") for one, folder, reel in rows]


def _view(row: models.Request, folder: str, reel: str) -> RequestView:
    order, progress = shown_order(row), shown_json(row.progress)
    offload, done = row.kind is RequestKind.OFFLOAD, row.state is RequestState.DONE
    running = row.state is RequestState.RUNNING
    of = f" of {order.get('card_name') or 'a card'}" if offload else ""
    said = shown(row.error) if row.error is not None else shown(folder) if done else ""
    return RequestView(
        id=row.id,
        name=one_line(KIND_WORDS.get(row.kind, row.kind.value.capitalize()) + of),
        state=STATE_WORDS[row.state],
        open=running or row.state is RequestState.QUEUED,
        failed=row.state is RequestState.FAILED,
        step=one_line(str(progress.get("step") or "")) if running else "",
        bars=_bars(progress) if running else (),
        said=one_line(said),
        reel=one_line(reel) if done and offload else "",
        card=str(order.get("card", "")),
    )


def _bars(progress: dict[str, Any]) -> tuple[tuple[str, int, int], ...]:
    whole = int(progress.get("bytes_to_read") or 0)
    if not whole:
        return ()
    read = int(progress.get("read") or 0)
    bars = [(f"Read {say_bytes(read)} of {say_bytes(whole)}", read, whole)]
    for place in progress.get("destinations") or ():
        written, verified, most = (int(place[name]) for name in ("written", "verified", "bytes"))
        text = f"{say_bytes(written)} written, {say_bytes(verified)} verified of {say_bytes(most)}"
        bars.append((f"{one_line(str(place['destination']))}: {text}", verified, max(1, most)))
    return tuple(bars)


@router.get("/cards/live")
async def follow_requests(service: ServiceDep, site: SiteDep, request: Request) -> Response:
    """Server-sent events (WHATWG HTML, 9.2): the part of the page that tells of cards and requests."""
    return StreamingResponse(
        _events(service, site, request),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store"},
    )


async def _events(service: Service, site: Site, request: Request) -> AsyncIterator[str]:
    last, silent, waited = "", 0.0, 0.0
    while waited < LONGEST_SECONDS and not await request.is_disconnected():
        now = await to_thread.run_sync(_look, service, site)
        if now != last:
            last, silent = now, 0.0
            yield "".join(f"data: {line}\n" for line in now.splitlines()) + "\n"
        elif silent >= QUIET_SECONDS:
            silent = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(POLL_SECONDS)
        silent, waited = silent + POLL_SECONDS, waited + POLL_SECONDS


def _look(service: Service, site: Site) -> str:
    try:
        folders = list_card_folders(service.settings.watch_folders)
    except AppError:
        folders = []
    with reading(service.sessions) as session:
        requests = read_requests(session)
    return site.write("cards_now.html", cards=view_cards(folders, requests), requests=requests)
