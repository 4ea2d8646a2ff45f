"""Every page as a picture, for a person to look at: `make screenshots`.

    python -m tests.api.browser.screenshots FOLDER [--home DEMO_HOME]

Of the seeded catalogue of the tests, or of a catalogue that is there, such as the demo's.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Literal

from playwright.sync_api import Browser, sync_playwright
from sqlalchemy import select

from api.reads.clips import read_finding_codes, read_stills
from shared.catalogue.outline_values import Range, parts_for
from shared.catalogue.outlines import add_item, make_outline
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.db import Sessions, make_sessions, open_catalogue, reading, writing
from shared.models import Clip, ClipCue, ItemKind
from shared.settings import Settings, load_settings
from tests.api.browser.serving import launch, served
from tests.api.catalogue import Seeded, make_settings, seed

WIDTHS = (1440, 390)
TALK = b"""WEBVTT

00:00.400 --> 00:02.400
<v Ada Wren>The chain is older than the boat.

00:03.000 --> 00:05.000
<v Ada Wren>It holds at any water.
"""
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")


def pages(sessions: Sessions) -> dict[str, str]:
    """Names and addresses; the clip is one with stills and, where there is one, with a finding. Raises
    NoResultFound where nobody speaks."""
    with reading(sessions) as session:
        ids = [clip.id for clip in session.query(Clip).order_by(Clip.id)]
        stills = read_stills(session, ids)
        noticed = read_finding_codes(session, ids)
        clip = max(ids, key=lambda one: (len(stills.get(one, ())), len(noticed.get(one, ()))))
        cue = session.scalars(select(ClipCue).order_by(ClipCue.id).limit(1)).one()
    return {
        "days": "/days",
        "wrap": "/wrap",
        "outline": "/outline",
        "day": "/days/1",
        "clip": f"/clips/{clip}",
        "transcript": f"/clips/{cue.clip_id}/transcript#cue-{cue.id}",
        "find": "/find?q=ferry",
        "find-table": "/find?view=table",
        "log": "/log",
        "cards": "/cards",
        "plan": "/plan",
        "begin": "/begin",
    }


def take(browser: Browser, base: str, addresses: dict[str, str], into: Path) -> None:
    for scheme in SCHEMES:
        for width in WIDTHS:
            context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
            tab = context.new_page()
            for name, address in addresses.items():
                tab.goto(base + address)
                tab.wait_for_timeout(300)
                # What is lazy comes when it is scrolled to.
                tab.evaluate(
                    """async () => { for (let y = 0; y < document.body.scrollHeight; y += 600) {
                    scrollTo(0, y); await new Promise(done => setTimeout(done, 60)); } scrollTo(0, 0); }"""
                )
                tab.evaluate("document.querySelector(':target textarea')?.focus()")  # shows what can be done
                tab.wait_for_timeout(200)
                tab.screenshot(path=into / f"{name}-{width}-{scheme}.png", full_page=True)
            context.close()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--home", type=Path)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        settings = load_settings(home=options.home) if options.home else _seeded(Path(scratch))
        engine = open_catalogue(settings.database_url)
        sessions = make_sessions(engine)
        if not options.home:
            _tell_a_story(sessions, seed(sessions, settings.stills_folder))
        with served(settings, sessions) as base, sync_playwright() as playwright:
            browser = launch(playwright)
            take(browser, base, pages(sessions), options.folder)
            browser.close()
        engine.dispose()
    print(f"{len(list(options.folder.glob('*.png')))} pictures in {options.folder}")


def _tell_a_story(sessions: Sessions, seeded: Seeded) -> None:
    """What is said, and the film on paper: without them two pages stay bare."""
    with writing(sessions) as session:
        clip = session.get_one(Clip, seeded.clips[0])
        edit = RowsEdit(session, clip.production, "Ada", "a story")
        carry_out(edit, plan_import(session, clip, TALK, "C0001.vtt"))
        outline = make_outline(edit, "The film")
        for kind, ranges in (
            (ItemKind.QUOTE, [Range(clip, 10, 60)]),
            (ItemKind.SCENE, [Range(clip, 80, 200)]),
        ):
            add_item(edit, outline, kind, {"parts": parts_for(session, kind, ranges)})
        add_item(edit, outline, ItemKind.TITLE, {"name": "The Chain Ferry", "length_ms": 4000})
        edit.close()


def _seeded(scratch: Path) -> Settings:
    (scratch / "media" / "A07").mkdir(parents=True)
    return make_settings(
        scratch,
        watch_folders=[scratch / "media"],
        destinations={"North": scratch / "north", "South": scratch / "south"},
    )


if __name__ == "__main__":
    main()
