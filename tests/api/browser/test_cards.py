"""Cards that appear, offloads that are asked for, and how far they are, as it happens."""

from __future__ import annotations

import json

from playwright.sync_api import expect
from sqlalchemy import select

from shared.card_folders import card_folder_id
from shared.catalogue.requests import claim_next, fail, finish, heartbeat
from shared.db import reading, writing
from shared.models import Request, now
from tests.api.browser.conftest import Site

PROGRESS = {
    "step": "copying",
    "bytes_to_read": 8_000_000_000,
    "read": 2_500_000_000,
    "destinations": [
        {"destination": "North", "bytes": 8_000_000_000, "written": 2_400_000_000, "verified": 2_000_000_000}
    ],
}


def test_a_card_appears_and_is_offloaded_with_live_progress(site: Site) -> None:
    tab = site.go("/cards")
    expect(tab.locator("#no-card")).to_be_visible()
    card = site.settings.watch_folders[0] / "A07"
    card.mkdir()
    expect(tab.locator("#present")).to_contain_text("A07")
    tab.locator("#o-camera").select_option("A")
    tab.get_by_label("South").uncheck()
    tab.get_by_role("button", name="Start the offload").click()
    expect(tab.locator("#requests")).to_contain_text("Offload of A07")
    expect(tab.locator("#requests")).to_contain_text("waits for the worker")
    expect(tab.locator("#present")).to_contain_text("being offloaded")
    with writing(site.sessions) as session:
        row = claim_next(session, "a test", stale_before=now())
        assert row is not None
        assert row.order["to"] == ["North"] and row.order["camera"] == "A"
        heartbeat(session, row.id, PROGRESS)
        number = row.id
    expect(tab.locator("#requests")).to_contain_text("Read 2.5 GB of 8.0 GB")
    expect(tab.locator("#requests")).to_contain_text("North: 2.4 GB written, 2.0 GB verified of 8.0 GB")
    assert tab.locator("progress").first.get_attribute("value") == "2500000000"
    with writing(site.sessions) as session:
        finish(session, number, {"reel": "A007"})
    expect(tab.locator("#requests")).to_contain_text("Reel A007 is copied")


def test_what_is_sent_is_an_id_and_never_a_path(site: Site) -> None:
    card = site.settings.watch_folders[0] / "A07"
    card.mkdir()
    tab = site.go("/cards")
    with tab.expect_request("**/api/v1/offloads") as sent:
        tab.get_by_role("button", name="Start the offload").click()
    body = json.loads(sent.value.post_data or "")
    assert body["card"] == card_folder_id(card) and body["to"] == ["North", "South"]
    assert str(site.settings.watch_folders[0]) not in tab.content()
    expect(tab.locator("#said")).to_contain_text("asked for")
    with reading(site.sessions) as session:
        assert len(session.scalars(select(Request)).all()) == 1


def test_an_offload_that_fails_says_why(site: Site) -> None:
    (site.settings.watch_folders[0] / "A07").mkdir()
    tab = site.go("/cards")
    tab.get_by_role("button", name="Start the offload").click()
    expect(tab.locator("#requests")).to_contain_text("waits")
    with writing(site.sessions) as session:
        row = claim_next(session, "a test", stale_before=now())
        assert row is not None
        fail(session, row.id, "the drive North is full — Make room.")
    expect(tab.locator("#requests .unsound")).to_contain_text("the drive North is full — Make room.")


def test_reels_and_reports_give_their_reasons(site: Site) -> None:
    tab = site.go("/cards")
    text = tab.locator("main").inner_text()
    for said in (
        "Only one complete copy: keep the card.",
        "At South: 3 verified and 1 different from the card, of 4 files.",
        "Its card was to be kept:",
        "4 files on one drive: C0001.MOV and 3 more",
        "Formatting destroys what is on a card.",
    ):
        assert said in text
