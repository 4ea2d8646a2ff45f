"""What `serve`, `work` and `watch` do: the composition of service, worker and pipeline."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from api.cli.app import Root
from api.cli.demo_requests import demo_handler
from api.handover import write_handover
from api.serve import serve as serve_until_stopped
from ingest.orders import OffloadOrder, OffloadReport, Watching
from ingest.pipeline import run_offload
from ingest.previews import preview_handler
from ingest.watch import watch as watch_cards
from ingest.worker import Handler, Report, Worker, offload_handler
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.catalogue.search import find_clips
from shared.db import Sessions, reading
from shared.models import RequestKind
from shared.settings import Settings
from shared.vocabulary import load_vocabulary


def serve(settings: Settings, sessions: Sessions, *, alone: bool) -> None:
    """Serve until stopped, with a worker in a process of its own unless `alone`."""
    if alone:
        serve_until_stopped(settings, sessions)
        return
    with worker_process():
        serve_until_stopped(settings, sessions)


def work(root: Root) -> None:
    with stopping() as stop:
        make_worker(root).run(stop)


def watch(root: Root) -> None:
    with stopping() as stop:
        watch_cards(root.settings, root.sessions, offloader(root), make_worker(root), say_to(root), stop)


@contextmanager
def worker_process() -> Iterator[None]:
    """Run `rushlight work` beside the service: a crash there can't take the pages down."""
    process = subprocess.Popen([sys.executable, "-m", "api.cli", "work"], stdin=subprocess.DEVNULL)
    try:
        yield
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@contextmanager
def stopping() -> Iterator[threading.Event]:
    """An event that Ctrl-C and a polite kill set, so that work in hand ends in order."""
    stop = threading.Event()
    previous = {s: signal.signal(s, lambda *_: stop.set()) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


def say_to(root: Root) -> Callable[[str], None]:
    def say(text: str) -> None:
        root.out.print(text, markup=False)

    return say


def offloader(root: Root) -> Callable[[OffloadOrder, Watching], OffloadReport]:
    def offload(order: OffloadOrder, watching: Watching) -> OffloadReport:
        return run_offload(order, root.settings, root.sessions, watching)

    return offload


def make_worker(root: Root) -> Worker:
    handlers: dict[RequestKind, Handler] = {
        RequestKind.OFFLOAD: offload_handler(root.settings, offloader(root)),
        RequestKind.HANDOVER: handover_handler(root),
        RequestKind.DEMO: demo_handler(root),
        RequestKind.PREVIEW: preview_handler(root.settings, root.sessions),
    }
    return Worker(root.sessions, root.settings, handlers, say_to(root))


def handover_handler(root: Root) -> Handler:
    """Hand-overs asked for through the service are made in the catalogue's own folder."""

    def hand_over(order: dict[str, Any], report: Report) -> dict[str, Any]:
        report({"step": "writing the hand-over"})
        folder: Path = root.settings.home / "handovers"
        folder.mkdir(parents=True, exist_ok=True)
        query = str(order.get("query") or "")
        with reading(root.sessions) as session:
            production = find_production(session, order.get("production"))
            vocabulary = production_vocabulary(session, production, load_vocabulary())
            page = find_clips(session, production, query, vocabulary)
            return write_handover(
                session,
                production,
                page.clips,
                to=folder,
                settings=root.settings,
                query=query,
                left_out=order.get("leave_out") or (),
            ).as_json()

    return hand_over
