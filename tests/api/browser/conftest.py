"""Fixtures for pages in a real browser: one browser a run, one service and one window a test."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from shared.db import Sessions
from shared.settings import Settings
from tests.api.browser.serving import CHROMIUM, Watched, launch, served
from tests.api.catalogue import Seeded


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    missing = pytest.mark.skipif(CHROMIUM is None, reason="Debian's package chromium is not installed")
    for item in items:
        if "/browser/" in item.path.as_posix():
            item.add_marker(missing)


@dataclass
class Site:
    """A served catalogue. `tab` shows it; what goes wrong in it fails the test at its end."""

    base: str
    tab: Page
    watched: Watched
    sessions: Sessions
    settings: Settings
    seeded: Seeded | None = None

    def go(self, address: str) -> Page:
        self.tab.goto(self.base + address)
        return self.tab


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = launch(playwright)
        yield browser
        browser.close()


@pytest.fixture
def empty_site(browser: Browser, settings: Settings, catalogue: Sessions) -> Iterator[Site]:
    yield from _open(browser, settings, catalogue, None)


@pytest.fixture
def site(browser: Browser, settings: Settings, catalogue: Sessions, seeded: Seeded) -> Iterator[Site]:
    yield from _open(browser, settings, catalogue, seeded)


def _open(browser: Browser, settings: Settings, catalogue: Sessions, seeded: Seeded | None) -> Iterator[Site]:
    with served(settings, catalogue) as base:
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        context.set_default_timeout(10_000)
        tab = context.new_page()
        watched = Watched(base)
        watched.watch(tab)
        yield Site(base, tab, watched, catalogue, settings, seeded)
        context.close()
    watched.check()
