"""The service in a thread, and Debian's Chromium to look at it with."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field

import uvicorn
from playwright.sync_api import Browser, Page, Playwright

from api.app import create_app
from api.serve import address_of, open_socket
from shared.db import Sessions
from shared.settings import Settings

CHROMIUM = shutil.which("chromium")


@contextmanager
def served(settings: Settings, sessions: Sessions) -> Iterator[str]:
    """The address, without a slash at its end."""
    with closing(open_socket("127.0.0.1", 0)) as listening:
        app = create_app(settings, sessions)
        config = uvicorn.Config(
            app, lifespan="off", ws="none", log_level="warning", timeout_graceful_shutdown=2
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield address_of(listening, "127.0.0.1").rstrip("/")
        finally:
            server.should_exit = True
            thread.join()


def launch(playwright: Playwright) -> Browser:
    return playwright.chromium.launch(
        executable_path=CHROMIUM,
        args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--mute-audio"],
    )


def until(tab: Page, expression: str, seconds: float = 10.0) -> None:
    """Wait until it holds. The browser driver's own way evaluates text, which the pages' policy forbids."""
    end = time.monotonic() + seconds
    while not tab.evaluate(expression):
        assert time.monotonic() < end, f"never came true: {expression}"
        tab.wait_for_timeout(20)


@dataclass
class Watched:
    """What a page asked for and complained of."""

    base: str
    faults: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def watch(self, tab: Page) -> None:
        tab.on("console", lambda said: self.faults.append(said.text) if said.type != "debug" else None)
        tab.on("pageerror", lambda error: self.faults.append(str(error)))
        tab.on("request", lambda request: self.asked.append(request.url))

    def check(self) -> None:
        assert self.faults == []
        elsewhere = [url for url in self.asked if not url.startswith((f"{self.base}/", "data:", "blob:"))]
        assert elsewhere == [], "no request leaves the host"


def check_fits(tab: Page) -> None:
    wide = tab.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide == 0, f"{tab.url} scrolls sideways by {wide} pixels"
    broken = tab.evaluate(
        "[...document.images].filter(i => i.complete && i.src && !i.naturalWidth).map(i => i.src)"
    )
    assert broken == []
