"""What is said in a clip, in a browser: cues play from their place, the one heard is marked, words are kept.

The player's place is read from the browser itself; frames of cues are arithmetic at 25 frames a second.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from playwright.sync_api import expect
from sqlalchemy import select

from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.catalogue.transcripts import cues_of
from shared.db import reading, writing
from shared.models import Clip, ClipCue, Person
from tests.api.browser.conftest import Site
from tests.api.browser.serving import check_fits, until
from tests.api.browser.test_clip import write_numbered
from tests.api.browser.test_look import RULES, faults_of
from tests.api.catalogue import put_copy

TALK = """WEBVTT

00:00.400 --> 00:01.000
<v NELL>The chane is older than the boat.

00:01.000 --> 00:01.800
<v NELL>It <b>holds</b> &lt;script&gt;alert(1)&lt;/script&gt; at any water.

00:01.800 --> 00:02.200
<v GUEST>Is it?
"""


@pytest.fixture
def spoken(site: Site, tmp_path: Path) -> Site:
    put_copy(site.sessions, tmp_path / "north", write_numbered(tmp_path / "f.webm", "libvpx", Fraction(25)))
    with writing(site.sessions) as session:
        clip = session.get_one(Clip, 1)
        clip.rate_num, clip.rate_den, clip.start_frame, clip.frames = 25, 1, 90_000, 60
        edit = RowsEdit(session, clip.production, "ada", "transcript")
        carry_out(edit, plan_import(session, clip, TALK.encode(), "C0001.vtt"))
        edit.close()
    return site


def cue(site: Site, place: int) -> ClipCue:
    with reading(site.sessions) as session:
        return cues_of(session, 1)[place]


def test_a_cue_plays_from_its_place_and_is_marked(spoken: Site) -> None:
    tab = spoken.go("/find?q=says:water")
    tab.locator("a.heard").click()
    second = cue(spoken, 1)
    assert tab.url.endswith(f"/clips/1/transcript#cue-{second.id}")
    expect(tab.locator(f"#cue-{second.id} a")).to_contain_text("01:00:01:00")
    assert tab.evaluate("document.querySelector('script:not([src])')") is None
    for place, seconds in ((1, 1.0), (0, 0.4)):
        row = tab.locator(f"#cue-{cue(spoken, place).id}")
        row.locator("a").focus()
        tab.keyboard.press("Enter")
        until(tab, f"document.querySelector('#film').currentTime >= {seconds}")
        expect(row).to_have_attribute("aria-current", "true")
        assert tab.evaluate("document.querySelectorAll('[aria-current=true]').length") >= 1
    # It goes on by itself, and the mark with it.
    expect(tab.locator(f"#cue-{second.id}")).to_have_attribute("aria-current", "true")


def test_words_and_speakers_are_corrected_by_keyboard(spoken: Site) -> None:
    with writing(spoken.sessions) as session:
        for one in cues_of(session, 1)[:2]:
            one.confidence_mean, one.confidence_least = 0.3, 0.1
    tab = spoken.go("/clips/1/transcript")
    first, second = cue(spoken, 0), cue(spoken, 1)
    expect(tab.locator(".unsure:visible")).to_have_count(2)
    text = tab.locator(f"#says-{first.id}")
    text.fill("The chain is older than the boat.")
    text.press("Enter")
    expect(tab.locator("#said")).to_have_text("Saved.")
    expect(tab.locator(f"#says-{second.id}")).to_be_focused()
    assert cue(spoken, 0).text == "The chain is older than the boat." and cue(spoken, 0).corrected
    expect(tab.locator(f"#unsure-{first.id}")).to_be_hidden()
    expect(tab.locator(f"#unsure-{second.id}")).to_be_visible()
    text.fill("never mind")
    text.press("Escape")
    expect(text).to_have_value("The chain is older than the boat.")
    tab.locator(f"#who-{first.id}").fill("Nell Harrowby")
    with tab.expect_response("**/transcript?done=*"):
        tab.locator(f"#who-{first.id}").press("Enter")
    with reading(spoken.sessions) as session:
        assert (
            session.scalar(select(Person.id).where(Person.name == "Nell Harrowby"))
            == cue(spoken, 0).person_id
        )
    check_fits(tab)
    assert faults_of(tab, RULES) == []


def places(site: Site) -> list[tuple[int, int, str]]:
    with reading(site.sessions) as session:
        return [(one.start_frame, one.end_frame, one.text) for one in cues_of(session, 1)]


def test_cues_are_parted_joined_and_moved_by_keys_and_buttons(spoken: Site) -> None:
    tab = spoken.go("/clips/1/transcript")
    before = places(spoken)
    first, second = cue(spoken, 0), cue(spoken, 1)
    text = tab.locator(f"#says-{first.id}")
    # The cursor stands in "older": that word, and what was typed, go with the second part. Frames 10 to 25
    # over 26 characters, of which 10 come before it.
    text.fill("The chain is older than the boat.")
    text.evaluate("one => one.setSelectionRange(15, 15)")
    text.press("Control+Enter")
    expect(tab.locator("#cues li")).to_have_count(4)
    assert places(spoken)[:2] == [(10, 15, "The chain is"), (15, 25, "older than the boat.")]
    expect(tab.locator(f"#says-{cue(spoken, 1).id}")).to_be_focused()
    text.press("Alt+Enter")
    expect(tab.locator("#cues li")).to_have_count(3)
    assert places(spoken)[0] == (10, 25, "The chain is older than the boat.")
    expect(tab.locator("#done")).to_contain_text(f"Saved: join cue {first.id}")
    tab.get_by_role("button", name="Undo").click()
    expect(tab.locator("#cues li")).to_have_count(4)
    tab.locator(f"#says-{first.id}").press("Alt+Enter")
    expect(tab.locator("#cues li")).to_have_count(3)
    # At the place that plays, here frame 32 of 25 a second: it begins the cue, or is the last one of it.
    tab.evaluate("document.querySelector('#film').currentTime = 1.3")
    row = tab.locator(f"#cue-{second.id}")
    row.locator("textarea").press("Alt+ArrowUp")
    expect(row.locator("a")).to_contain_text("01:00:01:07")
    row.locator("textarea").press("Control+Shift+Enter")
    expect(tab.locator("#said")).to_contain_text("Not saved. Frame 32 is not inside the cue")
    row.get_by_role("button", name="End here").click()
    expect(row.get_by_label("Ends")).to_have_value("01:00:01:08")
    assert places(spoken)[1][:2] == (32, 33)
    ends = row.get_by_label("Ends")
    ends.fill("never")
    ends.press("Enter")
    expect(tab.locator("#said")).to_contain_text("Not saved. 'never' is not a timecode")
    ends.fill("01:00:01:20")
    ends.press("Enter")
    expect(tab.locator("#done")).to_contain_text(f"correct cue {second.id}")
    assert places(spoken)[1][:2] == (32, 45) and places(spoken)[2] == before[2]
    spoken.watched.faults[:] = [one for one in spoken.watched.faults if "422" not in one]
    text.focus()
    assert faults_of(tab, RULES) == []
    for width in (1440, 380):
        tab.set_viewport_size({"width": width, "height": 800})
        check_fits(tab)


def test_what_is_not_saved_goes_back_and_can_be_written_again(spoken: Site) -> None:
    tab = spoken.go("/clips/1/transcript")
    first = cue(spoken, 0)
    with writing(spoken.sessions) as session:
        session.get_one(ClipCue, first.id).text = "What another wrote."
    text = tab.locator(f"#says-{first.id}")
    text.fill("What I wrote.")
    text.press("Enter")
    expect(tab.locator("#said")).to_contain_text("Not saved. Somebody else changed this meanwhile")
    expect(text).to_have_value("What another wrote.")
    tab.get_by_role("button", name="Write it again").click()
    expect(text).to_have_value("What I wrote.")
    text.press("Enter")
    expect(tab.locator("#said")).to_have_text("Saved.")
    assert cue(spoken, 0).text == "What I wrote."
    # The browser itself says of a refused request that it was refused.
    spoken.watched.faults[:] = [one for one in spoken.watched.faults if "412" not in one]
    tab.set_viewport_size({"width": 380, "height": 800})
    check_fits(tab)
