"""Carry out the requests that the web process files, one at a time.

A request is claimed by one atomic UPDATE (`shared/catalogue/requests.py`). While it is carried out, a
thread says every now and then that this worker is alive and how far it is, in transactions of its own:
nothing is held open across a copy. A worker that is killed goes silent, and its request is queued again.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
import os
import secrets
import socket
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sqlalchemy import update
from sqlalchemy.exc import SQLAlchemyError

from ingest.orders import OffloadOrder, OffloadReport, Watching
from ingest.plan import Plan
from ingest.progress import Counters
from ingest.rules import named_destinations
from shared.card_folders import CardFolder, find_card_folder, list_card_folders
from shared.catalogue.requests import claim_next, fail, finish, heartbeat
from shared.db import Sessions, writing
from shared.errors import AppError, ConflictError, UsageError
from shared.models import Request, RequestKind, RequestState, now
from shared.settings import Settings

Say = Callable[[str], None]
Offload = Callable[[OffloadOrder, Watching], OffloadReport]
Report = Callable[[Mapping[str, Any]], None]
"""Takes how far a request is, as plain JSON; cheap, so call it often. Raises StopRequested when the worker
is to end, ConflictError when the request was given to another worker: let both pass."""
Handler = Callable[[dict[str, Any], Report], dict[str, Any]]
"""Carries out one kind of request: takes its order, returns its result as plain JSON. An AppError fails the
request in words for the person who filed it."""

PROGRESS_SECONDS = 1.0
BEATS_BEFORE_STALE = 4

log = logging.getLogger(__name__)


class StopRequested(KeyboardInterrupt):
    """The process was asked to end. Takes the way of Ctrl-C, which no `except Exception` holds up."""


class Worker:
    """Claims requests and hands each to the handler of its kind. Any number may share a catalogue."""

    def __init__(
        self, sessions: Sessions, settings: Settings, handlers: Mapping[RequestKind, Handler], say: Say
    ) -> None:
        self._sessions = sessions
        self._settings = settings
        self._handlers = handlers
        self._say = say
        self._name = f"{socket.gethostname()[:60]}:{os.getpid()}:{secrets.token_hex(4)}"
        self._trouble = ""

    def run(self, stop: threading.Event) -> None:
        """Carry out requests until `stop` is set or Ctrl-C; then the one under way is queued again."""
        try:
            while not stop.is_set():
                if not self.run_once(stop):
                    stop.wait(self._settings.poll_seconds)
        except KeyboardInterrupt:  # StopRequested too
            stop.set()
        self._say("Stopped. A request that was under way is queued again.")

    def run_once(self, stop: threading.Event | None = None) -> bool:
        """Carry out the oldest request, if there is one; returns whether there was. Raises
        StopRequested when `stop` is set meanwhile. A catalogue out of reach is said, not raised: it may
        be back at the next call."""
        try:
            request = self._claim()
        except (SQLAlchemyError, AppError) as error:
            self._tell_trouble(f"The catalogue can't be asked for requests ({_reason(error)}); trying again.")
            return False
        self._trouble = ""
        if request is None:
            return False
        self._say(f"Request {request.id} ({request.kind}): started.")
        self._carry_out(request, stop or threading.Event())
        return True

    def _claim(self) -> Request | None:
        stale_before = now() - dt.timedelta(seconds=self._settings.stale_seconds)
        with writing(self._sessions) as session:
            return claim_next(session, self._name, stale_before=stale_before)

    def _carry_out(self, request: Request, stop: threading.Event) -> None:
        name = f"Request {request.id} ({request.kind})"
        try:
            with _Beating(self._sessions, request.id, self._name, self._settings.stale_seconds, stop) as beat:
                result = self._handler(request.kind)(dict(request.order), beat.report)
                json.dumps(result)  # what can't be kept is the handler's fault, not the catalogue's
            self._end(name, "done.", lambda s: finish(s, request.id, result, worker=self._name))
        except KeyboardInterrupt:
            self._give_back(request)
            raise
        except AppError as error:
            text = str(error)
            self._end(name, f"failed: {text}", lambda s: fail(s, request.id, text, worker=self._name))
        except Exception as error:  # the loop's edge: one request's bug must not end the worker
            log.exception("%s", name)
            text = (
                f"it stopped on an error nobody foresaw ({type(error).__name__}) — "
                "The worker's log says where. File the request again; what was proven is not done twice."
            )
            self._end(name, f"failed: {text}", lambda s: fail(s, request.id, text, worker=self._name))

    def _handler(self, kind: RequestKind) -> Handler:
        handler = self._handlers.get(kind)
        if handler is None:
            carried = ", ".join(sorted(self._handlers)) or "nothing"
            raise UsageError(
                f"this worker does not carry out requests of the kind {kind}",
                remedy=f"It carries out: {carried}. Start a worker of the same version as the service.",
            )
        return handler

    def _end(self, name: str, outcome: str, write: Callable[[Any], None]) -> None:
        """Write how the request ended. If that fails, its heartbeat goes stale and it is queued again."""
        try:
            with writing(self._sessions) as session:
                write(session)
        except (SQLAlchemyError, AppError) as error:
            outcome = f"carried out, but that could not be written down ({_reason(error)})."
        self._say(f"{name}: {outcome}")

    def _give_back(self, request: Request) -> None:
        """Queue it again at once: a worker that is told to stop need not be waited for."""
        mine = (Request.id == request.id, Request.worker == self._name, Request.state == RequestState.RUNNING)
        try:
            with writing(self._sessions) as session:
                session.execute(
                    update(Request)
                    .where(*mine)
                    .values(state=RequestState.QUEUED, worker=None, heartbeat_at=None, progress={})
                )
        except SQLAlchemyError as error:
            log.warning("request %s could not be given back: %s", request.id, error)

    def _tell_trouble(self, text: str) -> None:
        if text != self._trouble:
            self._trouble = text
            self._say(text)


class _Beating:
    """Says from a thread of its own that a request is being carried out, and how far it is."""

    def __init__(
        self, sessions: Sessions, request_id: int, worker: str, stale_seconds: float, stop: threading.Event
    ) -> None:
        self._sessions = sessions
        self._request_id = request_id
        self._worker = worker
        self._every = stale_seconds / BEATS_BEFORE_STALE
        self._stop = stop
        self._over = threading.Event()
        self._progress: Mapping[str, Any] = {}
        self._lost: ConflictError | None = None
        self._thread = threading.Thread(target=self._beat_until_over, name="heartbeat", daemon=True)

    def __enter__(self) -> _Beating:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def report(self, progress: Mapping[str, Any]) -> None:
        """Remember how far it is; the thread writes it, so that a busy catalogue never holds up a copy."""
        if self._stop.is_set():
            raise StopRequested
        if self._lost is not None:
            raise self._lost
        self._progress = dict(progress)

    def _beat_until_over(self) -> None:
        written, beaten = self._progress, time.monotonic()
        while not self._over.wait(min(PROGRESS_SECONDS, self._every)):
            progress = self._progress
            if progress is written and time.monotonic() - beaten < self._every:
                continue
            if self._beat(progress):
                written, beaten = progress, time.monotonic()
        if self._progress is not written:
            self._beat(self._progress)

    def _beat(self, progress: Mapping[str, Any]) -> bool:
        try:
            with writing(self._sessions) as session:
                heartbeat(session, self._request_id, progress, worker=self._worker)
        except ConflictError as error:
            self._lost = error
        except (SQLAlchemyError, AppError) as error:
            # The next beat may get through; if none does, the request is rightly taken for abandoned.
            log.warning("no heartbeat for request %s: %s", self._request_id, error)
        else:
            return True
        return False


def _reason(error: Exception) -> str:
    original = getattr(error, "orig", None)
    return str(original or error)


# --- offloads ----------------------------------------------------------------------------------------


class _OffloadRequest(BaseModel):
    """What stands in the order of an offload request. `card`: the id of a card folder, or its path, which
    must be one that has an id; `to`: names under [destinations]."""

    model_config = ConfigDict(extra="forbid", strict=True)

    card: str
    to: list[str] = Field(min_length=1)
    production: str | None = None
    camera: str | None = None
    reel: str | None = None
    day: int | None = None
    card_label: str | None = None
    algorithm: str | None = None
    read_twice: bool = False


def offload_handler(settings: Settings, offload: Offload) -> Handler:
    """The handler of offload requests. Its result is the offload's report, `OffloadReport.as_kept`."""

    def handle(order: dict[str, Any], report: Report) -> dict[str, Any]:
        return offload(offload_order(settings, order), _Reporting(report)).as_kept()

    return handle


def offload_order(settings: Settings, order: Mapping[str, Any]) -> OffloadOrder:
    """An offload as the command line would ask for it. Raises NotFoundError for a card or a destination
    that does not exist, listing those that do, and UsageError for an order that can't be read."""
    try:
        asked = _OffloadRequest.model_validate(order)
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"])
        raise UsageError(
            f"the request can't be read: {field}: {first['msg']}",
            remedy="File it again; the service and the worker must be of the same version.",
        ) from error
    to = named_destinations(settings, asked.to)
    card = _find_card(settings, asked.card)
    return OffloadOrder(card=card.path, to=to, **asked.model_dump(exclude={"card", "to"}))


def _find_card(settings: Settings, card: str) -> CardFolder:
    """Only folders directly below a watch folder: a request must not reach into the rest of the machine."""
    by_path = (folder for folder in list_card_folders(settings.watch_folders) if str(folder.path) == card)
    return next(by_path, None) or find_card_folder(settings.watch_folders, card)


class _Reporting:
    """Follows an offload for the person who filed it: what is being done, and the bytes so far."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self._step = ""
        self._totals: _Totals | None = None
        self._counters = Counters()

    def say(self, text: str) -> None:
        self._step = text
        self.tick()

    def planned(self, plan: Plan, counters: Counters) -> None:
        self._totals, self._counters = _Totals.of(plan), counters
        self.tick()

    def tick(self) -> None:
        progress: dict[str, Any] = {"step": self._step}
        if self._totals is not None:
            progress |= _bytes_so_far(self._totals, self._counters)
        self._report(progress)


@dataclass(frozen=True, slots=True)
class _Totals:
    """The bytes that a plan has before it: to read, and by name of destination. To add them up takes a while
    where there are many files."""

    to_read: int
    places: tuple[tuple[str, int], ...]

    @classmethod
    def of(cls, plan: Plan) -> _Totals:
        places = enumerate(plan.places)
        return cls(plan.bytes_to_read, tuple((place.shown, plan.bytes_for(n)) for n, place in places))


def _bytes_so_far(totals: _Totals, counters: Counters) -> dict[str, Any]:
    return {
        "bytes_to_read": totals.to_read,
        "read": counters.read,
        "destinations": [
            {
                "destination": name,
                "bytes": total,
                "written": counters.written[number],
                "verified": counters.verified[number],
            }
            for number, (name, total) in enumerate(totals.places)
        ],
    }
