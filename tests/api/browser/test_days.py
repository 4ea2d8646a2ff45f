"""Days and one day: the strip of hours, the contact sheet, and many clips logged at once."""

from __future__ import annotations

import datetime as dt
from typing import Any

from playwright.sync_api import expect
from sqlalchemy import select

from shared.db import reading, writing
from shared.models import Camera, ChangeSet, LogEntry, Production, Reel, ShootingDay, Suggestion
from tests import factories as make
from tests.api.browser.conftest import Site
from tests.api.browser.rows import add_clips
from tests.api.browser.serving import until


def test_the_days_say_goal_totals_and_what_is_safe(site: Site) -> None:
    tab = site.go("/days")
    first, second = tab.locator("section.day").all()
    expect(first).to_contain_text("Meet the ferrywoman")
    expect(first).to_contain_text("4 clips")
    expect(first).to_contain_text("All logged")
    expect(second).to_contain_text("Not safe.")
    expect(second).to_contain_text("1 different from the card")


def test_a_clip_is_reached_along_the_strip_by_keys(site: Site) -> None:
    assert site.seeded is not None
    tab = site.go("/days/1")
    strip, under = tab.locator(".hours canvas"), tab.locator(".under")
    expect(under).to_contain_text("Filled: logged")
    strip.focus()
    strip.press("ArrowRight")
    # 05:40 UTC is 07:40 on the clocks of the shoot, which stand at UTC+2 in May.
    expect(under).to_contain_text("C0001 · 07:40:00")
    strip.press("ArrowRight")
    expect(under).to_contain_text("C0002 · 07:44:00")
    strip.press("+")
    strip.press("End")
    expect(under).to_contain_text("C0004 · 07:52:00 · 15.8 s · camera A (Main camera) · NG · has a finding")
    strip.press("Enter")
    tab.wait_for_url(f"**/clips/{site.seeded.clips[3]}")


def test_a_clip_is_reached_along_the_strip_by_pointer(site: Site) -> None:
    tab = site.go("/days/1")
    expect(tab.locator(".under")).to_contain_text("Filled")
    box = tab.locator(".hours canvas").bounding_box()
    assert box is not None
    # The strip goes from 07:00 to 08:00; the first clip begins at 07:40, two thirds along.
    x = 34 + (box["width"] - 34) * (40 * 60 + 5) / 3600
    tab.mouse.move(box["x"] + x, box["y"] + 20 + 15)
    expect(tab.locator(".under")).to_contain_text("C0001")
    tab.mouse.down()
    tab.mouse.up()
    tab.wait_for_url("**/clips/1")


def test_a_day_of_a_thousand_clips_stays_smooth(site: Site) -> None:
    """Zooming and going along take less than a frame of a screen of 60 hertz, at the median."""
    with writing(site.sessions) as session:
        day = session.scalars(select(ShootingDay)).first()
        assert day is not None
        production = session.get_one(Production, day.production_id)
        camera = session.scalars(select(Camera)).first()
        reel = make.make_reel(
            session, production, name="Z001", camera_id=camera.id if camera else None, day_id=day.id
        )
        add_clips(session, reel, 1000, dt.timedelta(seconds=36))
    tab = site.go("/days/1")
    expect(tab.locator(".under")).to_contain_text("Filled")
    tab.locator(".hours canvas").focus()
    took = tab.evaluate(
        """() => { const canvas = document.querySelector('.hours canvas'), took = [];
        for (let turn = 0; turn < 60; turn += 1) {
          const key = turn % 3 ? 'ArrowRight' : turn % 2 ? '+' : '-';
          const began = performance.now();
          canvas.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true }));
          took.push(performance.now() - began); }
        return took.sort((a, b) => a - b)[30]; }"""
    )
    assert took < 16.7, f"{took} ms"


def test_the_contact_sheet_stands_in_setups_and_is_narrowed_down(site: Site) -> None:
    tab = site.go("/days/1")
    expect(tab.locator(".setup h3")).to_contain_text("Camera A")
    expect(tab.locator(".setup h3")).to_contain_text("07:40–07:52, 4 clips")
    tab.get_by_role("link", name="NG", exact=True).click()
    expect(tab.locator("#found .card")).to_have_count(1)
    assert tab.url.endswith("q=rating%3Ang")
    tab.go_back()
    expect(tab.locator("#found .card")).to_have_count(4)


def entries(site: Site) -> dict[int, tuple[str | None, str]]:
    with reading(site.sessions) as session:
        rows = session.scalars(select(LogEntry).where(LogEntry.clip_id.is_not(None)))
        return {row.clip_id: (row.rating, row.updated_by) for row in rows if row.clip_id is not None}


def test_many_are_logged_at_once_and_taken_back(site: Site) -> None:
    tab = site.go("/days/1")
    before = entries(site)
    tab.get_by_role("button", name="Select all").first.click()
    tab.locator("#many-field").select_option("rating")
    tab.locator("#many-term").select_option("alt")
    expect(tab.locator("[data-preview]")).to_have_text("Rating Alternative would be set on 4 clips.")
    tab.locator("#many button[type=submit]").click()
    expect(tab.locator("#said")).to_contain_text("Rating Alternative is set on 4 clips.")
    expect(tab.locator("#found .card").first).to_contain_text("Alternative")
    after = entries(site)
    assert {after[key][0] for key in (1, 2, 3, 4)} == {"alt"}
    assert {key: one for key, one in after.items() if key > 4} == {k: o for k, o in before.items() if k > 4}
    tab.get_by_role("button", name="Undo").click()
    expect(tab.locator("#said")).to_have_text("Taken back on 4 clips.")
    assert {key: rating for key, (rating, _) in entries(site).items()} == {
        k: r for k, (r, _) in before.items()
    }
    with reading(site.sessions) as session:
        assert [row.undoes_id for row in session.scalars(select(ChangeSet).order_by(ChangeSet.id))] == [
            None,
            1,
        ]


def test_a_row_of_clips_is_selected_with_shift(site: Site) -> None:
    tab = site.go("/days/1")
    boxes = tab.locator("input[name=clip]")
    boxes.nth(0).click()
    boxes.nth(2).click(modifiers=["Shift"])
    expect(tab.locator("[data-count]")).to_have_text("3 clips")
    tab.get_by_role("button", name="Select none").click()
    expect(tab.locator("#many")).to_be_hidden()


def test_a_text_is_set_on_many(site: Site) -> None:
    tab = site.go("/days/2")
    tab.locator("input[name=clip]").first.check()
    tab.locator("#many-field").select_option("place")
    tab.locator("#many-text").fill("the <b>north</b> slip")
    tab.locator("#many button[type=submit]").click()
    expect(tab.locator("#said")).to_contain_text("Place “the <b>north</b> slip” is set on 1 clip.")
    with reading(site.sessions) as session:
        assert "the <b>north</b> slip" in set(session.scalars(select(LogEntry.place)))


def test_reels_without_a_day_are_told(site: Site) -> None:
    with writing(site.sessions) as session:
        reel: Any = session.scalars(select(Reel)).first()
        reel.day_id = None
    expect(site.go("/days").locator("section.day").last).to_contain_text("Without a day")


def test_tags_are_added_to_many_and_suggestions_taken_over(site: Site) -> None:
    assert site.seeded is not None
    with writing(site.sessions) as session:
        before = {
            row.clip_id: sorted(tag.name for tag in row.tags) for row in session.scalars(select(LogEntry))
        }
        value = {"field": "movement", "value": "pan", "confidence": 0.8}
        session.add(Suggestion(clip_id=site.seeded.clips[0], **value))
    tab = site.go("/days/1")
    tab.get_by_role("button", name="Select all").first.click()
    tab.locator("#many-field").select_option("tags")
    tab.locator("#many-text").fill("fog, low <b>tide</b>")
    tab.get_by_role("button", name="Add it").click()
    expect(tab.locator("#said")).to_contain_text("is added to 4 clips.")
    with reading(site.sessions) as session:
        after = {
            row.clip_id: sorted(tag.name for tag in row.tags) for row in session.scalars(select(LogEntry))
        }
    for clip in site.seeded.clips[:4]:
        assert after[clip] == sorted({*before[clip], "fog", "low <b>tide</b>"})
    until(tab, "performance.getEntriesByName('results').length > 0")  # they are there anew, none selected
    tab.get_by_role("button", name="Select all").first.click()
    tab.locator("#many-field").select_option("suggestions")
    expect(tab.locator("[data-preview]")).to_have_text("To be taken over: 1 suggestion of 1 clip.")
    tab.get_by_role("button", name="Take them over").click()
    expect(tab.locator("#said")).to_contain_text("Taken over: 1 suggestion of 1 clip.")
    with reading(site.sessions) as session:
        rows = select(LogEntry.movement).where(LogEntry.clip_id == site.seeded.clips[0])
        assert session.scalars(rows).one() == "pan"
