"""Requests: what the web process files and a worker carries out.

States: queued → running → done or failed. A worker claims a request by one atomic UPDATE and says
from time to time that it is alive; a running request that has gone silent is queued again.

What stands in `order`, by kind:

    offload   card: folder of the card, one of shared/card_folders.py; to: names under [destinations];
              production: its folder name; camera, reel, day: as `rushlight offload` takes them, or null
    handover  production: its folder name; query: which clips, "" for all
    demo      action: "load" or "remove"
    preview   file: id of the file of which a small film is to be made

Every function writes in the caller's transaction: call it inside `shared.db.writing`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from shared.errors import ConflictError, NotFoundError
from shared.models import Request, RequestKind, RequestState, now

# A request that takes its worker down every time would be claimed first for ever, and nothing after it.
MOST_ATTEMPTS = 5
_ATTEMPTS = "attempts"


def file_request(session: Session, kind: RequestKind, order: Mapping[str, Any]) -> Request:
    """Queue a request; `order` must be plain JSON."""
    request = Request(kind=kind, state=RequestState.QUEUED, order=dict(order), progress={}, result={})
    session.add(request)
    session.flush()
    return request


def find_request(session: Session, request_id: int, *, for_update: bool = False) -> Request:
    """Raises NotFoundError."""
    request = session.get(Request, request_id, populate_existing=True, with_for_update=for_update or None)
    if request is None:
        raise NotFoundError(f"there is no request {request_id}", remedy="List the requests there are.")
    return request


def open_requests(session: Session, kind: RequestKind) -> list[Request]:
    """Those that are queued or running, the oldest first."""
    waiting = select(Request).where(
        Request.kind == kind, Request.state.in_((RequestState.QUEUED, RequestState.RUNNING))
    )
    return list(session.scalars(waiting.order_by(Request.id)))


def claim_next(session: Session, worker: str, *, stale_before: dt.datetime) -> Request | None:
    """Take the oldest queued request for this worker, or None.

    Running requests whose last heartbeat is before `stale_before` are queued again first. No two
    workers are ever given the same request: the one UPDATE both chooses the row and marks it.
    """
    _requeue_silent(session, stale_before)
    oldest = (
        select(Request.id)
        .where(Request.state == RequestState.QUEUED)
        .order_by(Request.id)
        .limit(1)
        .with_for_update(skip_locked=True)  # PostgreSQL; SQLite has one writer anyway and leaves it out
        .scalar_subquery()
    )
    claimed = session.scalar(
        update(Request)
        .where(Request.id == oldest, Request.state == RequestState.QUEUED)
        .values(state=RequestState.RUNNING, worker=worker, heartbeat_at=now())
        .returning(Request.id)
        .execution_options(synchronize_session=False)
    )
    if claimed is None:
        return None
    request = find_request(session, claimed)
    request.progress = {_ATTEMPTS: request.progress.get(_ATTEMPTS, 0) + 1}
    session.flush()
    return request


def _requeue_silent(session: Session, stale_before: dt.datetime) -> None:
    silent = select(Request).where(
        Request.state == RequestState.RUNNING,
        func.coalesce(Request.heartbeat_at, Request.created_at) < stale_before,
    )
    for request in session.scalars(silent.with_for_update(skip_locked=True)):
        if request.progress.get(_ATTEMPTS, 0) >= MOST_ATTEMPTS:
            _end(request, RequestState.FAILED)
            request.error = (
                f"the worker stopped {MOST_ATTEMPTS} times while it carried this out — "
                "See what the worker said last, then file the request again."
            )
        else:
            request.state = RequestState.QUEUED
            request.worker = request.heartbeat_at = None
    session.flush()


def heartbeat(
    session: Session, request_id: int, progress: Mapping[str, Any], *, worker: str | None = None
) -> None:
    """Say that the request is being carried out, and how far it is.

    Raises ConflictError when it is no longer running, or is by now another worker's.
    """
    request = _running(session, request_id, worker)
    request.progress = {**progress, _ATTEMPTS: request.progress.get(_ATTEMPTS, 1)}
    request.heartbeat_at = now()
    session.flush()


def finish(
    session: Session, request_id: int, result: Mapping[str, Any], *, worker: str | None = None
) -> None:
    """The request is carried out. Raises ConflictError as `heartbeat`."""
    request = _running(session, request_id, worker)
    request.result = dict(result)
    _end(request, RequestState.DONE)
    session.flush()


def fail(session: Session, request_id: int, error: str, *, worker: str | None = None) -> None:
    """The request can't be carried out; `error` says why and what to do.

    Raises ConflictError as `heartbeat`.
    """
    request = _running(session, request_id, worker)
    request.error = error
    _end(request, RequestState.FAILED)
    session.flush()


def _running(session: Session, request_id: int, worker: str | None) -> Request:
    request = find_request(session, request_id, for_update=True)
    if request.state is not RequestState.RUNNING or (worker is not None and request.worker != worker):
        raise ConflictError(
            f"request {request_id} is {request.state}"
            + (f" by {request.worker}" if request.state is RequestState.RUNNING else "")
            + ", it is not this worker's any more",
            remedy="It went silent for too long and was given away; leave it to the other worker.",
        )
    return request


def _end(request: Request, state: RequestState) -> None:
    request.state = state
    request.heartbeat_at = request.ended_at = now()
