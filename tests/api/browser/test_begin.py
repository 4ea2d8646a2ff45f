"""The first minutes: from nothing to a production with its kit, and the demo in and out."""

from __future__ import annotations

from playwright.sync_api import expect
from sqlalchemy import select

from shared.catalogue.requests import claim_next, finish
from shared.db import reading, writing
from shared.models import Camera, Lens, Production, now
from tests.api.browser.conftest import Site


def test_an_empty_catalogue_leads_by_the_hand(empty_site: Site) -> None:
    tab = empty_site.go("/")
    tab.get_by_label("Name of the film or job").fill("Low <b>Tide</b>")
    tab.get_by_label("Time zone of the shoot").fill("Europe/London")
    tab.get_by_role("button", name="Make the production").click()
    expect(tab.locator("h1")).to_have_text("The first card of Low <b>Tide</b>")
    for letter, name in (("A", "Main camera"), ("D", "Drone")):
        tab.get_by_label("Letter").fill(letter)
        tab.get_by_label("What you call it").fill(name)
        tab.get_by_role("button", name="Add the camera").click()
        expect(tab.locator(".steps")).to_contain_text(name)
    tab.get_by_label("Lens", exact=True).fill("35 mm")
    tab.get_by_label("Focal length, mm").fill("35")
    tab.get_by_role("button", name="Add the lens").click()
    expect(tab.locator(".steps")).to_contain_text("35 mm")
    expect(tab.locator(".steps")).to_contain_text("Copies can go to: North, South.")
    with reading(empty_site.sessions) as session:
        made = session.scalars(select(Production)).one()
        assert (made.name, made.zone, made.rate_num) == ("Low <b>Tide</b>", "Europe/London", 25)
        assert list(session.scalars(select(Camera.letter).order_by(Camera.letter))) == ["A", "D"]
        assert session.scalars(select(Lens.focal_min_mm)).one() == 35
    tab.get_by_role("link", name="See the cards").click()
    expect(tab.locator("h1")).to_have_text("Cards")


def test_what_the_service_refuses_is_said_and_what_was_typed_stays(empty_site: Site) -> None:
    tab = empty_site.go("/begin")
    tab.get_by_label("Name of the film or job").fill("Low Tide")
    tab.get_by_label("Time zone of the shoot").fill("Europe/Ferryport")
    tab.get_by_role("button", name="Make the production").click()
    expect(tab.locator("#said")).to_contain_text("No such time zone: Europe/Ferryport")
    expect(tab.get_by_label("Name of the film or job")).to_have_value("Low Tide")
    empty_site.watched.faults.clear()  # the browser itself notes each 422


def test_the_demo_is_asked_for_with_one_press(empty_site: Site) -> None:
    tab = empty_site.go("/begin")
    tab.get_by_role("button", name="Load the demo").click()
    expect(tab.locator("#demo-step")).to_have_text("Waiting for the worker …")
    with writing(empty_site.sessions) as session:
        row = claim_next(session, "a test", stale_before=now())
        assert row is not None and row.order == {"action": "load"}
        finish(session, row.id, {})
    tab.wait_for_url("**/days")
