"""The pages in a real browser."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import sync_playwright

from api.app import create_app
from api.serve import address_of, open_socket
from shared.db import Sessions
from shared.settings import Settings
from tests.api.catalogue import Seeded

CHROMIUM = shutil.which("chromium")


@contextmanager
def served(settings: Settings, sessions: Sessions) -> Iterator[str]:
    with closing(open_socket("127.0.0.1", 0)) as listening:
        config = uvicorn.Config(
            create_app(settings, sessions), lifespan="off", ws="none", log_level="warning"
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield address_of(listening, "127.0.0.1").rstrip("/")
        finally:
            server.should_exit = True
            thread.join()


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="Debian's package chromium is not installed")
def test_in_a_real_browser(settings: Settings, catalogue: Sessions, seeded: Seeded) -> None:
    """No fault on the console, nothing asked of another host, nothing too wide, the keyboard is enough."""
    faults: list[str] = []
    asked: set[str] = set()
    with served(settings, catalogue) as base, sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        for width in (1440, 380):
            tab = browser.new_page(viewport={"width": width, "height": 900})
            tab.on("console", lambda message: faults.append(message.text))
            tab.on("pageerror", lambda error: faults.append(str(error)))
            tab.on("request", lambda request: asked.add(request.url))
            for address in ("/days", "/days/2", f"/clips/{seeded.clips[7]}", "/find?q=ferry", "/wrap"):
                tab.goto(base + address)
                check_fits(tab)
            tab.goto(base + "/days")
            tab.keyboard.press("Tab")
            assert tab.evaluate("document.activeElement.className") == "skip"
            tab.keyboard.press("Enter")
            tab.keyboard.press("Tab")
            assert tab.evaluate("document.activeElement.id") == "q", "the content begins with the box"
            tab.keyboard.type("winch")
            tab.keyboard.press("Enter")
            tab.wait_for_url("**/find?*")
            assert tab.inner_text(".total") == "2 clips"
            tab.close()
        browser.close()
    assert faults == []
    assert all(url.startswith(base) for url in asked)


def check_fits(tab: Any) -> None:
    wide = tab.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide == 0, f"{tab.url} scrolls sideways by {wide} pixels"
    broken = tab.evaluate("[...document.images].filter(i => i.complete && !i.naturalWidth).map(i => i.src)")
    assert broken == []
