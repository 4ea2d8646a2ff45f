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

from api.reads.clips import read_finding_codes, read_stills
from shared.db import Sessions, make_sessions, open_catalogue, reading
from shared.models import Clip
from shared.settings import Settings, load_settings
from tests.api.browser.serving import launch, served
from tests.api.catalogue import make_settings, seed

WIDTHS = (1440, 390)
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")


def pages(sessions: Sessions) -> dict[str, str]:
    """Names and addresses; the clip is one with stills and, where there is one, with a finding."""
    with reading(sessions) as session:
        ids = [clip.id for clip in session.query(Clip).order_by(Clip.id)]
        stills = read_stills(session, ids)
        noticed = read_finding_codes(session, ids)
        clip = max(ids, key=lambda one: (len(stills.get(one, ())), len(noticed.get(one, ()))))
    return {
        "days": "/days",
        "wrap": "/wrap",
        "outline": "/outline",
        "day": "/days/1",
        "clip": f"/clips/{clip}",
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
            seed(sessions, settings.stills_folder)
        with served(settings, sessions) as base, sync_playwright() as playwright:
            browser = launch(playwright)
            take(browser, base, pages(sessions), options.folder)
            browser.close()
        engine.dispose()
    print(f"{len(list(options.folder.glob('*.png')))} pictures in {options.folder}")


def _seeded(scratch: Path) -> Settings:
    (scratch / "media" / "A07").mkdir(parents=True)
    return make_settings(
        scratch,
        watch_folders=[scratch / "media"],
        destinations={"North": scratch / "north", "South": scratch / "south"},
    )


if __name__ == "__main__":
    main()
