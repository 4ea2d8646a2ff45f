"""The outline in a real browser: made, filled, and put in order by keys and by dragging."""

from __future__ import annotations

from playwright.sync_api import Page, expect

from shared.catalogue.outline_values import Range, cover_values, parts_for
from shared.catalogue.outlines import (
    add_item,
    change_item,
    find_outline,
    items_of,
    keep_version,
    make_outline,
)
from shared.catalogue.productions import find_production
from shared.catalogue.rows import RowsEdit
from shared.db import reading, writing
from shared.models import Clip, ClipMedia, ItemKind, Moment
from tests.api.browser.conftest import Site
from tests.api.browser.serving import check_fits
from tests.api.browser.test_look import CONTRAST, HOSTILE, RULES, faults_of, small_targets


def fill(site: Site, *names: str) -> None:
    """An outline with titles of these names."""
    with writing(site.sessions) as session:
        edit = RowsEdit(session, find_production(session, None), "ada", "a test")
        outline = make_outline(edit, "The film", 20)
        for name in names:
            add_item(edit, outline, ItemKind.TITLE, {"name": name, "length_ms": 2000})
        edit.close()


def order(site: Site) -> list[str]:
    with reading(site.sessions) as session:
        outline = find_outline(session, find_production(session, None), None)
        return [item.name for item in items_of(session, outline)]


def shown(tab: Page, *names: str) -> None:
    expect(tab.locator("#items .words")).to_have_text(list(names))


def test_an_item_is_moved_by_keys_and_keeps_the_focus(site: Site) -> None:
    fill(site, "one", "two", "three")
    tab = site.go("/outline")
    shown(tab, "one", "two", "three")
    tab.get_by_role("button", name="Up item 3").focus()
    tab.keyboard.press("Enter")
    shown(tab, "one", "three", "two")
    expect(tab.get_by_role("button", name="Up item 2")).to_be_focused()
    tab.keyboard.press("Enter")
    shown(tab, "three", "one", "two")
    assert order(site) == ["three", "one", "two"]
    check_fits(tab)


def test_an_item_is_dragged_to_anothers_place(site: Site) -> None:
    fill(site, "one", "two", "three", "four")
    site.tab.set_viewport_size({"width": 1440, "height": 2000})  # both ends of a drag are in view
    tab = site.go("/outline")
    item = tab.locator("#items > li")
    item.nth(0).locator(".where").drag_to(item.nth(2))
    shown(tab, "two", "three", "one", "four")
    tab.wait_for_load_state("load")
    item.nth(3).locator(".where").drag_to(item.nth(0))
    shown(tab, "four", "two", "three", "one")
    assert order(site) == ["four", "two", "three", "one"]


def test_an_outline_is_made_and_filled_by_forms(site: Site) -> None:
    tab = site.go("/outline")
    tab.get_by_label("Name").fill("A cut-down")
    tab.get_by_label("Seconds it is to run").fill("90")
    tab.get_by_role("button", name="Make the outline").click()
    expect(tab.locator("h1")).to_have_text("A cut-down")
    tab.get_by_label("Text").fill("The <b>ferry</b>")
    tab.get_by_role("button", name="Add the title").click()
    shown(tab, "The <b>ferry</b>")
    expect(tab.locator(".goal")).to_contain_text("4.0 s of 1 min 30 s")
    section = tab.locator("section", has=tab.get_by_role("heading", name="Versions"))
    section.get_by_label("Name").fill("first")
    section.get_by_role("button", name="Keep it as it stands").click()
    expect(section.locator(".versions")).to_contain_text("first")
    tab.get_by_role("button", name="Take out item 1").click()
    shown(tab)
    tab.get_by_role("button", name="Return to it first").click()
    shown(tab, "The <b>ferry</b>")
    tab.set_viewport_size({"width": 380, "height": 800})
    check_fits(tab)


def test_an_item_is_trimmed_by_timecode_and_by_frames(site: Site) -> None:
    """At 25 frames a second; the keyboard alone, and the focus stays where it is."""
    assert site.seeded is not None
    with writing(site.sessions) as session:
        clip = session.get_one(Clip, site.seeded.clips[0])
        edit = RowsEdit(session, find_production(session, None), "ada", "a test")
        outline = make_outline(edit, "The film")
        ranges = [Range(clip, 0, 40), Range(clip, 60, 90)]
        add_item(edit, outline, ItemKind.QUOTE, {"parts": parts_for(session, ItemKind.QUOTE, ranges)})
        add_item(edit, outline, ItemKind.TITLE, {"name": "1932", "length_ms": 2000})
        edit.close()
    tab = site.go("/outline")
    first = tab.locator("#items > li").nth(0)
    first.locator("summary", has_text="Trim").focus()
    tab.keyboard.press("Enter")
    part = first.locator("form.trim").nth(1)
    expect(part.get_by_label("In", exact=True)).to_have_value("10:00:02:10")
    part.get_by_label("Out", exact=True).fill("10:00:04:00")
    tab.keyboard.press("Enter")
    expect(first.locator(".where")).to_contain_text("00:00:03:05")
    expect(tab.locator(".goal")).to_contain_text("00:00:05:05")
    expect(part.get_by_role("button", name="Trim")).to_be_focused()
    part.get_by_role("button", name="In −1").focus()
    for length in ("00:00:03:06", "00:00:03:07"):
        tab.keyboard.press("Enter")
        expect(first.locator(".where")).to_contain_text(length)
        expect(part.get_by_role("button", name="In −1")).to_be_focused()
    with reading(site.sessions) as session:
        item = items_of(session, find_outline(session, find_production(session, None), None))[0]
        assert [(one.in_frame, one.out_frame) for one in item.parts] == [(0, 40), (58, 100)]
    title = tab.locator("#items > li").nth(1)
    title.locator("summary").click()
    title.get_by_label("Seconds").fill("3.5")
    tab.keyboard.press("Enter")
    expect(tab.locator(".goal")).to_contain_text("00:00:06:20")
    expect(title.get_by_role("button", name="Set")).to_be_focused()
    assert faults_of(tab, RULES) == []
    assert small_targets(tab) == []
    tab.set_viewport_size({"width": 380, "height": 800})
    check_fits(tab)


def test_a_photograph_is_added_laid_over_and_held_longer(site: Site) -> None:
    assert site.seeded is not None
    with writing(site.sessions) as session:
        clip = session.get_one(Clip, site.seeded.clips[1])
        clip.media, clip.rate_num, clip.rate_den, clip.frames = ClipMedia.IMAGE, None, None, None
        clip.start_frame = None
    fill(site, "1932")
    tab = site.go("/outline")
    tab.get_by_role("button", name="Show the photographs").click()
    form = tab.locator("form", has=tab.get_by_role("button", name="Add the photograph"))
    expect(form.get_by_label("Seconds")).to_have_value("6")
    form.get_by_label("Seconds").fill("4")
    form.get_by_role("button").click()
    added = tab.locator("#items > li").nth(1)
    expect(added).to_contain_text("a photograph, for 4 s")
    expect(tab.locator(".goal")).to_contain_text("00:00:06:00")
    first = tab.locator("#items > li").nth(0)
    first.get_by_role("link", name="Cover").click()
    first.get_by_label("Lies over it").select_option(index=0)
    first.get_by_label("Seconds of a photograph").fill("1.5")
    first.get_by_role("button", name="Cover it").click()
    expect(first).to_contain_text("a photograph, for 1.5 s")
    added.locator("summary", has_text="Trim").click()
    added.get_by_label("Seconds").first.fill("8")
    tab.keyboard.press("Enter")
    expect(tab.locator(".goal")).to_contain_text("00:00:10:00")
    expect(added.get_by_role("button", name="Set")).to_be_focused()
    first.get_by_role("link", name="Cover").click()
    assert faults_of(tab, RULES) == []
    tab.set_viewport_size({"width": 380, "height": 800})
    check_fits(tab)


def test_a_filled_outline_passes_the_rules_of_accessibility(site: Site) -> None:
    """axe-core (Deque), as on every other page; with a quote, cover, notices, a shape and a version."""
    assert site.seeded is not None
    with writing(site.sessions) as session:
        clips = [session.get_one(Clip, key) for key in site.seeded.clips[:3]]
        session.add(Moment(clip_id=clips[0].id, in_frame=5, out_frame=60, name=HOSTILE))
        edit = RowsEdit(session, find_production(session, None), "ada", "a test")
        outline = make_outline(edit, "The film", 20)
        ranges = [Range(clips[2], 0, 40, HOSTILE), Range(clips[2], 60, 90)]
        item = add_item(edit, outline, ItemKind.QUOTE, {"parts": parts_for(session, ItemKind.QUOTE, ranges)})
        change_item(edit, item, {"covers": [cover_values(Range(clips[1], 0, 20), 5)]})
        for kind, name in ((ItemKind.TITLE, HOSTILE), (ItemKind.MUSIC, "Low strings")):
            add_item(edit, outline, kind, {"name": name, "length_ms": 150_000})
        keep_version(edit, outline, HOSTILE[:100])
        edit.close()
    tab = site.go("/outline")
    assert faults_of(tab, RULES) == []
    assert small_targets(tab) == []
    assert tab.title() == "The film · Rushlight", "no text is taken for script"
    tab.emulate_media(color_scheme="dark")
    assert faults_of(tab, CONTRAST) == []
    expect(tab.locator(".lanes svg")).to_have_count(6)
    expect(tab.locator("dl")).to_contain_text("music without a break for 150 s")
    for width in (1440, 768, 380):
        tab.set_viewport_size({"width": width, "height": 900})
        check_fits(tab)
