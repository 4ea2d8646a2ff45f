"""Logging by keyboard: fast, saved, repeated, taken back, and honest when it fails."""

from __future__ import annotations

import datetime as dt
import json
import statistics
import time
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect
from sqlalchemy import select

from shared.db import reading, writing
from shared.models import LogEntry, Production, Suggestion
from shared.vocabulary import load_vocabulary
from tests import factories as make
from tests.api.browser.conftest import Site
from tests.api.browser.rows import add_clips
from tests.api.browser.serving import until
from tests.api.catalogue import entry_of

ROUND = ("kind", "size", "angle", "movement", "rating")


def begin(site: Site, q: str = "") -> Page:
    tab = site.go(f"/log?q={q}")
    tab.wait_for_selector("#desk[data-ready]")
    return tab


def keys_of(tab: Page) -> dict[str, dict[str, str]]:
    """By field and code: the key that the page shows beside the value."""
    fields = json.loads(tab.locator("#fields").inner_text())
    return {name: {code: key for code, _, _, key in terms} for name, _, terms in fields}


def test_each_value_has_a_key_of_its_own_that_is_shown(site: Site) -> None:
    tab = begin(site)
    keys = keys_of(tab)
    vocabulary = load_vocabulary()
    for field, given in keys.items():
        assert list(given) == [term.code for term in vocabulary.terms(field)], field
        assert "" not in given.values() and len(set(given.values())) == len(given), field
    shown = dict(
        zip(
            tab.locator("#values span").all_inner_texts(),
            tab.locator("#values kbd").all_inner_texts(),
            strict=True,
        )
    )
    assert shown == {term.label: keys["kind"][term.code] for term in vocabulary.terms("kind")}


@pytest.fixture
def twelve(site: Site) -> list[int]:
    """Clips that nobody has logged."""
    assert site.seeded is not None
    with writing(site.sessions) as session:
        production = session.get_one(Production, site.seeded.production)
        reel = make.make_reel(session, production, name="K001")
        return [make.make_clip(session, reel, f"K/K{number:04}.MOV").id for number in range(12)]


def test_twelve_entries_of_five_fields_are_typed_in_no_time_and_each_is_saved(
    site: Site, twelve: list[int]
) -> None:
    """The aim: below 60 s of typing in all, and each saved within 100 ms at the 95th percentile."""
    tab = begin(site, "reel:K001")
    keys = keys_of(tab)
    wanted = {
        clip: {
            field: list(keys[field])[(number + place) % len(keys[field])] for place, field in enumerate(ROUND)
        }
        for number, clip in enumerate(twelve)
    }
    tab.evaluate(
        """() => { window.took = []; const before = window.fetch;
        window.fetch = async (...given) => {
          const began = performance.now(), answer = await before(...given);
          if (given[1]?.method === 'PATCH') window.took.push(performance.now() - began);
          return answer; }; }"""
    )
    began = time.perf_counter()
    for entry in wanted.values():
        for field in ROUND:
            tab.keyboard.press(keys[field][entry[field]])
        tab.keyboard.press("Enter")
    typed = time.perf_counter() - began
    expect(tab.locator("#said")).to_have_text("That was the last clip.")
    until(tab, "document.querySelector('#saved').textContent === 'Saved.'")
    with reading(site.sessions) as session:
        rows = session.scalars(select(LogEntry).where(LogEntry.clip_id.in_(twelve)))
        saved = {row.clip_id: {field: getattr(row, field) for field in ROUND} for row in rows}
    assert saved == wanted
    took: list[float] = sorted(tab.evaluate("window.took"))
    p95 = took[int(len(took) * 0.95)]
    print(
        f"\n12 entries of 5 fields: {typed:.2f} s typed; {len(took)} saves, p95 {p95:.1f} ms, "
        f"median {statistics.median(took):.1f} ms"
    )
    assert typed < 60
    # The aim is 100 ms on a machine at rest; a busy one must not fail the tests.
    assert p95 < 1000
    tab.reload()
    tab.wait_for_selector("#desk[data-ready]")
    expect(tab.locator("#place")).to_have_text("Clip 12 of 12")
    last = load_vocabulary().resolve("rating", wanted[twelve[-1]]["rating"]).label
    expect(tab.locator("#fieldlist .v").nth(4)).to_have_text(last)


def test_keys_that_come_in_one_burst_are_one_edit(site: Site, twelve: list[int]) -> None:
    """Pressed within the page itself, so that no clock but its own stands between them."""
    tab = begin(site, "reel:K001")
    keys = keys_of(tab)
    sent: list[str] = []
    tab.on("request", lambda one: sent.append(one.post_data or "") if one.method == "PATCH" else None)
    wanted = {field: next(iter(keys[field])) for field in ROUND}
    tab.evaluate(
        """(keys) => { for (const key of keys)
        document.querySelector('#keys').dispatchEvent(new KeyboardEvent('keydown', { key })); }""",
        [*(keys[field][code] for field, code in wanted.items()), "Enter"],
    )
    expect(tab.locator("#saved")).to_have_text("Nothing is logged yet.")  # the next clip; all else is saved
    assert [json.loads(one) for one in sent] == [wanted]
    with reading(site.sessions) as session:
        entry = entry_of(session, twelve[0])
        assert entry is not None and {field: getattr(entry, field) for field in ROUND} == wanted


def rating_of(site: Site, clip: int) -> str | None:
    with reading(site.sessions) as session:
        entry = entry_of(session, clip)
        return entry.rating if entry is not None else None


def saved(tab: Page) -> None:
    expect(tab.locator("#saved")).to_have_text("Saved.")


def test_fields_are_lit_by_digits_and_passed_over_by_space(site: Site) -> None:
    tab = begin(site)
    lit = tab.locator("#lit")
    expect(lit).to_have_text("Kind")
    tab.keyboard.press("5")
    expect(lit).to_have_text("Rating")
    tab.keyboard.press("1")
    tab.keyboard.press(" ")
    expect(lit).to_have_text("Size")
    tab.keyboard.press("-")
    saved(tab)
    with reading(site.sessions) as session:
        entry = entry_of(session, 1)
        assert entry is not None and entry.size is None and entry.kind == "establishing"


def test_the_last_entry_is_repeated_and_keys_are_taken_back(site: Site, twelve: list[int]) -> None:
    tab = begin(site, "reel:K001")
    keys = keys_of(tab)
    for field, code in (("kind", "b-roll"), ("size", "cu")):
        tab.keyboard.press(keys[field][code])
    tab.locator("#t-subject").fill("chain over the gear")
    tab.locator("#t-note").fill("of this clip alone")
    tab.keyboard.press("Escape")
    tab.keyboard.press("Enter")
    tab.keyboard.press("+")
    saved(tab)
    with reading(site.sessions) as session:
        first, second = entry_of(session, twelve[0]), entry_of(session, twelve[1])
        assert first is not None and second is not None
        assert (second.kind, second.size, second.subject) == ("b-roll", "cu", "chain over the gear")
        assert (first.note, second.note) == ("of this clip alone", "")
    tab.keyboard.press("<")
    saved(tab)
    with reading(site.sessions) as session:
        second = entry_of(session, twelve[1])
        assert second is not None and (second.kind, second.size, second.subject) == (None, None, "")
    for _ in range(3):  # the texts and the size of the clip before: it is gone back to
        tab.keyboard.press("<")
    expect(tab.locator("#place")).to_have_text("Clip 1 of 12")
    saved(tab)
    with reading(site.sessions) as session:
        first = entry_of(session, twelve[0])
        assert first is not None and (first.kind, first.size, first.subject, first.note) == (
            "b-roll",
            None,
            "",
            "",
        )


def test_what_fails_says_so_and_is_put_back(site: Site) -> None:
    tab = begin(site)
    key = keys_of(tab)["rating"]["ng"]

    def refuse(route: Route) -> None:
        if route.request.method == "PATCH":
            route.abort()
        else:
            route.continue_()

    tab.route("**/api/v1/clips/*/log", refuse)
    tab.keyboard.press("5")
    tab.keyboard.press(key)
    expect(tab.locator("#said")).to_contain_text("Not saved, and put back as it was")
    expect(tab.locator("#fieldlist .v").nth(4)).to_have_text("Circled")
    assert rating_of(site, 1) == "circled"
    tab.unroute("**/api/v1/clips/*/log")
    tab.keyboard.press(key)
    saved(tab)
    assert rating_of(site, 1) == "ng"
    site.watched.faults.clear()  # the browser itself notes what was cut off


def test_an_edit_of_somebody_else_is_shown_and_not_written_over(site: Site) -> None:
    tab = begin(site)
    with writing(site.sessions) as session:
        entry = entry_of(session, 1)
        assert entry is not None
        entry.rating, entry.version = "hold", entry.version + 1
    tab.keyboard.press("5")
    tab.keyboard.press(keys_of(tab)["rating"]["ng"])
    expect(tab.locator("#said")).to_contain_text("somebody else changed this clip meanwhile")
    expect(tab.locator("#fieldlist .v").nth(4)).to_have_text("Hold")
    assert rating_of(site, 1) == "hold"
    site.watched.faults.clear()  # the browser itself notes each 412


def test_a_value_is_seen_before_it_is_saved(site: Site) -> None:
    tab = begin(site)
    held: list[Route] = []
    tab.route("**/api/v1/clips/*/log", lambda route: held.append(route))
    tab.keyboard.press("5")
    tab.keyboard.press(keys_of(tab)["rating"]["alt"])
    expect(tab.locator("#fieldlist .v").nth(4)).to_have_text("Alternative")
    expect(tab.locator("#saved")).to_have_text("Saving…")
    while not held:  # what comes in one burst is sent together, a moment later
        tab.wait_for_timeout(5)
    held[0].continue_()
    saved(tab)


def test_keys_do_nothing_where_texts_are_written_or_when_they_are_off(site: Site) -> None:
    tab = begin(site)
    before = rating_of(site, 1)
    tab.keyboard.press("Tab")
    tab.locator("#t-subject").focus()
    tab.keyboard.type("5n+<- ")
    tab.keyboard.press("Escape")
    saved(tab)
    tab.locator("#keys-on").uncheck()
    tab.locator("#keys").focus()
    tab.keyboard.type("5n")
    expect(tab.locator("#lit")).to_have_text("Kind")
    assert rating_of(site, 1) == before
    with reading(site.sessions) as session:
        entry: Any = entry_of(session, 1)
        assert entry.subject.endswith("5n+<-"), "a text is kept without blanks at its ends"


def test_more_clips_are_read_on_before_they_are_needed(site: Site) -> None:
    assert site.seeded is not None
    with writing(site.sessions) as session:
        production = session.get_one(Production, site.seeded.production)
        reel = make.make_reel(session, production, name="L001")
        add_clips(session, reel, 130, dt.timedelta(minutes=1))
    tab = begin(site, "reel:L001")
    for _ in range(129):
        tab.keyboard.press("Enter")
    expect(tab.locator("#place")).to_have_text("Clip 130 of 130")


def test_what_is_suggested_is_shown_as_such_and_taken_over_by_a_key(site: Site) -> None:
    with writing(site.sessions) as session:
        entry = entry_of(session, 1)
        assert entry is not None
        entry.movement, entry.kind = None, "b-roll"
        for field, value in (("movement", "pan"), ("kind", "interview")):
            session.add(Suggestion(clip_id=1, field=field, value=value, confidence=0.8))
    tab = begin(site)
    movement = tab.locator("#fieldlist .v").nth(3)
    expect(movement).to_have_text("Pan? 80 %")
    with reading(site.sessions) as session:
        entry = entry_of(session, 1)
        assert entry is not None and entry.movement is None, "it is no word of a person"
    tab.keyboard.press("=")
    expect(movement).to_have_text("Pan")
    saved(tab)
    with reading(site.sessions) as session:
        entry = entry_of(session, 1)
        assert entry is not None and (entry.movement, entry.kind) == ("pan", "b-roll")
    tab.keyboard.press("<")
    expect(movement).to_have_text("Pan? 80 %")
