"""Find: completion, facets, stills or table, kept searches and the hand-over."""

from __future__ import annotations

import threading

from playwright.sync_api import expect
from sqlalchemy import select

from shared.catalogue.requests import claim_next, finish
from shared.db import reading, writing
from shared.models import Request, RequestKind, SavedSearch, now
from tests.api.browser.conftest import Site


def test_fields_and_values_are_completed_by_keys(site: Site) -> None:
    tab = site.go("/find")
    box = tab.locator("#q")
    box.press_sequentially("ra")
    offers = tab.locator("#offers li")
    expect(offers.first).to_contain_text("rating:")
    box.press("ArrowDown")
    box.press("Enter")
    expect(box).to_have_value("rating:")
    expect(offers).to_have_count(5)
    box.press_sequentially("ci")
    expect(offers).to_have_count(1)
    box.press("ArrowDown")
    box.press("Enter")
    expect(box).to_have_value("rating:circled ")
    box.press_sequentially("person:")
    expect(offers.locator("b")).to_have_text(["Ada Wren"])  # the value, not the help of the field
    box.press("ArrowDown")
    box.press("Enter")
    expect(box).to_have_value('rating:circled person:"Ada Wren" ')
    box.press_sequentially("-kind:int")
    expect(offers).to_have_count(1)
    box.press("Escape")
    expect(tab.locator("#offers")).to_be_hidden()
    box.fill("winch")
    box.press("Enter")
    expect(tab.locator("[data-total]")).to_have_text("2 clips")


def test_a_facet_narrows_and_widens_in_place(site: Site) -> None:
    tab = site.go("/find")
    tab.evaluate("window.here = 1")
    tab.get_by_role("link", name="Interview", exact=True).click()
    expect(tab.locator("[data-total]")).to_have_text("2 clips")
    expect(tab.locator("#q")).to_have_value("kind:interview")
    assert tab.locator(".facets [aria-current]").inner_text() == "Interview"
    tab.get_by_role("link", name="Day 2", exact=True).click()
    expect(tab.locator("[data-total]")).to_have_text("1 clip")
    tab.get_by_role("link", name="Interview", exact=True).click()
    expect(tab.locator("#q")).to_have_value("day:2")
    tab.go_back()
    expect(tab.locator("#q")).to_have_value("kind:interview day:2")
    assert tab.evaluate("window.here") == 1, "the page was not loaded anew"
    tab.goto(tab.url)
    expect(tab.locator("[data-total]")).to_have_text("1 clip")


def test_a_query_that_can_not_be_read_is_pointed_at(site: Site) -> None:
    tab = site.go("/find")
    tab.locator("#q").fill("winch kind:intervieuw")
    tab.locator("#q").press("Enter")
    expect(tab.get_by_role("alert")).to_contain_text("Did you mean interview")
    expect(tab.locator("mark")).to_have_text("intervieuw")
    site.watched.faults.clear()  # the browser itself notes each 422


def test_results_stand_as_stills_or_in_a_table(site: Site) -> None:
    tab = site.go("/find?q=ferry")
    expect(tab.locator("#found .card")).to_have_count(2)
    tab.get_by_role("link", name="Table").click()
    expect(tab.locator("tbody tr")).to_have_count(2)
    expect(tab.locator("tbody tr").first).to_contain_text("the ferry leaves the quay")
    tab.locator("#q").fill("winch")
    tab.locator("#q").press("Enter")
    expect(tab.locator("tbody tr").first).to_contain_text("her hands at the winch")


def test_a_search_is_kept_and_let_go(site: Site) -> None:
    tab = site.go("/find?q=kind:interview")
    tab.get_by_role("button", name="Keep this search").click()
    tab.get_by_label("Name of the search").fill("the <b>talks</b>")
    tab.get_by_role("button", name="Keep", exact=True).click()
    expect(tab.locator("#kept a")).to_have_text("the <b>talks</b>")
    tab.goto(site.base + "/find")
    tab.get_by_role("link", name="the <b>talks</b>").click()
    expect(tab.locator("[data-total]")).to_have_text("2 clips")
    with reading(site.sessions) as session:
        assert session.scalars(select(SavedSearch.query)).one() == "kind:interview"
    tab.get_by_role("button", name="Let go of the <b>talks</b>").click()
    expect(tab.locator("#kept li")).to_have_count(0)
    with reading(site.sessions) as session:
        assert session.scalars(select(SavedSearch)).all() == []


def test_a_result_is_handed_over_with_one_press(site: Site) -> None:
    tab = site.go("/find?q=kind:interview")
    tab.get_by_role("button", name="Hand over to the editor").click()
    expect(tab.locator("#said")).to_contain_text("Hand-over: waiting for the worker")
    with writing(site.sessions) as session:
        row = claim_next(session, "a test", stale_before=now())
        assert row is not None and row.kind is RequestKind.HANDOVER
        assert row.order == {"query": "kind:interview", "production": "the-chain-ferry"}
        finish(session, row.id, {"folder": "handovers/one"})
    expect(tab.locator("#said")).to_have_text("The hand-over is ready: handovers/one")


def test_a_later_answer_is_not_written_over_by_an_earlier_one(site: Site) -> None:
    """The first click's answer is held back until the second one has come."""
    tab = site.go("/find")
    held = threading.Event()

    def hold(route: object) -> None:
        first.append(route)
        held.set()

    first: list[object] = []
    tab.route("**/find?*interview*part=found*", hold)
    tab.get_by_role("link", name="Interview", exact=True).click()
    tab.get_by_role("link", name="Insert", exact=True).click()
    expect(tab.locator("#q")).to_have_value("kind:insert")
    first[0].continue_()  # type: ignore[attr-defined]
    tab.wait_for_timeout(200)
    expect(tab.locator("#q")).to_have_value("kind:insert")
    with reading(site.sessions) as session:
        assert session.scalars(select(Request)).all() == []
