"""The demo asked for from a page: loaded into the catalogue there is, and taken out again."""

from __future__ import annotations

import shutil
from typing import Any

from api.cli.app import Root
from ingest.orders import OffloadOrder
from ingest.pipeline import run_offload
from ingest.plan import Plan
from ingest.progress import Counters
from ingest.worker import Handler, Report
from shared.catalogue.demo import (
    check_only_drawn,
    demo_folder,
    demo_production,
    mark_demo,
    open_demo_folder,
    remove_production,
)
from shared.catalogue.productions import find_production
from shared.db import reading, writing
from shared.errors import UsageError


def demo_handler(root: Root) -> Handler:
    """The handler of requests for the demo. Its result names the production that was made, if one was."""

    def handle(order: dict[str, Any], report: Report) -> dict[str, Any]:
        action = order.get("action")
        if action not in ("load", "remove"):
            raise UsageError(f"the demo can't be {action}", remedy="Ask for load or for remove.")
        report({"step": "taking the demo out" if action == "remove" else "making room"})
        _remove(root)  # and what a run that was cut short has left
        return {"production": _load(root, report)} if action == "load" else {}

    return handle


def _load(root: Root, report: Report) -> str:
    # Heavy: they draw and encode.
    from api.cli.demonstration import enter_log, enter_production
    from sample_media.production import load_production
    from sample_media.recipe import make_cards

    sample = load_production()
    folder = open_demo_folder(root.settings.home)
    report({"step": f"drawing the cards of “{sample.name}”"})
    cards = make_cards(folder / "cards")
    destinations = (folder / "drive-1", folder / "drive-2")
    for destination in destinations:
        destination.mkdir()
    enter_production(root, sample)
    with reading(root.sessions) as session:
        production = find_production(session, sample.name)
        mark_demo(root.settings.home, production)
        slug = production.slug
    for done, card in enumerate(cards, 1):
        order = OffloadOrder(
            card=card.path,
            to=destinations,
            production=slug,
            camera=card.camera,
            reel=card.reel,
            day=card.day,
            card_label=card.label,
        )
        step = f"offloading card {card.label}, {done} of {len(cards)}"
        run_offload(order, root.settings, root.sessions, _Step(report, step))
    report({"step": "logging what was shot"})
    enter_log(root, sample)
    return slug


def _remove(root: Root) -> None:
    """The rows in one transaction; then the files, which nothing points at any more."""
    home = root.settings.home
    stills: list[str] = []
    with writing(root.sessions) as session:
        production = demo_production(session, home)
        if production is not None:
            check_only_drawn(session, home, production)
            stills = remove_production(session, production)
    for path in stills:
        (root.settings.stills_folder / path).unlink(missing_ok=True)
    if demo_folder(home).exists():
        open_demo_folder(home)  # refuses one that is somebody else's
        shutil.rmtree(demo_folder(home))


class _Step:
    """Follows an offload of the demo: says which card it is at."""

    def __init__(self, report: Report, step: str) -> None:
        self._report = report
        self._step = step

    def say(self, text: str) -> None:
        self.tick()

    def planned(self, plan: Plan, counters: Counters) -> None:
        self.tick()

    def tick(self) -> None:
        self._report({"step": self._step})
