"""Every page in light and dark, wide and narrow: it fits, can be read and reached, and runs no text.

Rules of accessibility: axe-core (Deque), those that it tags for WCAG 2.0 to 2.2, A and AA.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page
from sqlalchemy import String, cast, literal, update

from shared.db import writing
from shared.models import (
    Camera,
    Clip,
    Finding,
    ItemKind,
    LogEntry,
    Moment,
    NarrationLine,
    Outline,
    OutlineItem,
    OutlinePart,
    Person,
    SavedSearch,
    ShootingDay,
    Tag,
    WantedShot,
)
from tests.api.browser.conftest import Site
from tests.api.browser.serving import check_fits, until
from tests.api.measured import measure_clip
from tests.factories import make_finding

PAGES = (
    "/days",
    "/wrap",
    "/outline",
    "/days/2",
    "/clips/8",
    "/clips/8/transcript",
    "/find?q=ferry",
    "/find?view=table",
    "/log",
    "/cards",
    "/plan",
    "/begin",
    "/problems/not-found",
)
RULES = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    }
}
CONTRAST = {"runOnly": {"type": "rule", "values": ["color-contrast"]}}
HOSTILE = "<img src=x onerror=\"document.title='taken'\"><script>document.title='taken'</script>"


def faults_of(tab: Page, rules: Mapping[str, Any]) -> list[str]:
    found: dict[str, Any] = Axe().run(tab, options=dict(rules)).response
    return [
        f"{one['id']}: {node['html'][:160]} {node.get('failureSummary', '')[:300]}"
        for one in found["violations"]
        for node in one["nodes"]
    ]


def settle(tab: Page) -> None:
    """Until the strips are drawn and the clip to log is shown."""
    tab.wait_for_load_state("load")
    for place in tab.query_selector_all(".hours"):
        place.scroll_into_view_if_needed()
    until(tab, "[...document.querySelectorAll('.under')].every(one => one.textContent.trim())")
    if "/log" in tab.url:
        tab.wait_for_selector("#desk[data-ready]")


@pytest.mark.parametrize("address", PAGES)
def test_each_page_passes_the_rules_and_fits_whatever_the_window(site: Site, address: str) -> None:
    """All rules in light; in dark, where only colours are others, those of contrast; three widths."""
    tab = site.go(address)
    settle(tab)
    assert faults_of(tab, RULES) == []
    assert small_targets(tab) == []
    tab.emulate_media(color_scheme="dark")
    assert faults_of(tab, CONTRAST) == []
    for width in (1440, 768, 380):
        tab.set_viewport_size({"width": width, "height": 900})
        check_fits(tab)


def small_targets(tab: Page) -> Any:
    """Targets below 24 by 24 CSS pixels (WCAG 2.2, 2.5.8), save links that stand in a line of text."""
    return tab.evaluate(
        """[...document.querySelectorAll('button, select, textarea, input')]
        .filter(one => one.offsetParent && !one.matches('[type=checkbox], [type=hidden]'))
        .map(one => [one.outerHTML.slice(0, 80), one.getBoundingClientRect()])
        .filter(([, box]) => box.width > 1 && (box.width < 24 || box.height < 23.5))
        .map(([html]) => html)"""
    )


def test_what_opens_passes_them_too(site: Site) -> None:
    tab = site.go("/find")
    tab.locator("#q").press_sequentially("ki")
    tab.wait_for_selector("#offers li")
    tab.locator("input[name=clip]").first.check()
    until(tab, "document.querySelector('[data-preview]').textContent.includes('1 clip')")
    assert faults_of(tab, RULES) == []


def test_a_plan_and_a_clip_with_something_to_say_pass_them_too(site: Site) -> None:
    with writing(site.sessions) as session:
        clip = session.get_one(Clip, 2)
        measure_clip(session, clip)
        session.execute(update(LogEntry).where(LogEntry.clip_id == 2).values(movement=None))
        make_finding(session, clip, code="shaky", message="It shakes.", dismissed="the boat rocks")
        production = clip.production_id
        line = NarrationLine(production_id=production, code="N1", text="At dawn …", position=1)
        session.add(line)
        for number in (1, 2):
            wish = WantedShot(production_id=production, code=f"W{number}", what="her hands at the winch")
            session.add(wish)
    for address in ("/clips/2", "/plan?change=wish-2"):
        tab = site.go(address)
        tab.locator("details").evaluate_all("all => all.forEach(one => { one.open = true; })")
        assert faults_of(tab, RULES) == [] and small_targets(tab) == []
        tab.emulate_media(color_scheme="dark")
        assert faults_of(tab, CONTRAST) == []
        tab.emulate_media(color_scheme="light")
        for width in (1440, 380):
            tab.set_viewport_size({"width": width, "height": 900})
            check_fits(tab)


def test_an_empty_catalogue_is_fit_to_be_seen_as_well(empty_site: Site) -> None:
    for address in ("/days", "/find", "/log", "/cards"):
        tab = empty_site.go(address)
        assert tab.locator("h1").inner_text() == "Begin"
        assert faults_of(tab, RULES) == []


def test_hostile_names_and_notes_are_shown_as_text(site: Site) -> None:
    assert site.seeded is not None
    with writing(site.sessions) as session:
        name = HOSTILE.replace("/", "\u2215")
        session.execute(update(Clip).values(name=literal(f"D/{name}") + cast(Clip.id, String)))
        session.execute(update(LogEntry).values(note=HOSTILE, subject=HOSTILE, place=HOSTILE))
        session.execute(update(ShootingDay).values(goal=HOSTILE))
        session.execute(update(Camera).values(name=HOSTILE))
        session.execute(update(Finding).values(message=HOSTILE))
        session.execute(update(Person).values(name=HOSTILE))
        session.execute(update(Tag).values(name=HOSTILE[:90]))
        session.add(SavedSearch(production_id=site.seeded.production, name=HOSTILE[:90], query="ferry"))
        session.add(Moment(clip_id=8, in_frame=1, out_frame=5, name=HOSTILE))
        outline = Outline(production_id=site.seeded.production, name=HOSTILE)
        part = OutlinePart(place=0, clip_id=8, in_frame=0, out_frame=9, speaker=HOSTILE, words=HOSTILE)
        kind = ItemKind.QUOTE
        session.add(OutlineItem(outline=outline, rank="m", kind=kind, note=HOSTILE, parts=[part]))
    (site.settings.watch_folders[0] / HOSTILE.replace("/", "\u2215")[:80]).mkdir()
    for address in PAGES[:-1]:
        tab = site.go(address)
        settle(tab)
        if address == "/days/2":  # what a script writes is hostile too
            tab.locator("canvas").first.press("End")
            assert "onerror" in tab.locator(".under").first.inner_text()
        if address.startswith("/find"):
            tab.locator("#q").fill("person:")
            tab.locator("#q").press("End")
            tab.locator("#q").press_sequentially("<")
            tab.wait_for_timeout(150)
        assert tab.evaluate("document.title") != "taken", address
        assert tab.locator("script:not([src]):not([type='application/json']), [onerror]").count() == 0
        if address != "/begin":
            assert "onerror" in tab.locator("body").inner_text() or address == "/log", address


def test_without_script_every_page_still_shows_what_is_there(site: Site) -> None:
    context = site.tab.context.browser
    assert context is not None
    plain = context.new_context(java_script_enabled=False)
    tab = plain.new_page()
    for address, said in (
        ("/days", "Day 2"),
        ("/days/2", "winch"),
        ("/clips/8", "verified"),
        ("/find?q=ferry", "2 clips"),
        ("/plan", "Want another shot"),
    ):
        tab.goto(site.base + address)
        assert said in tab.locator("main").inner_text(), address
    plain.close()
