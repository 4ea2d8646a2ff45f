"""One clip: stills by hand, the picture by frames, moments by keys, and its log entry.

The oracle of the player is its own picture: every frame of the film that is made here shows its number as
eight bars, which are read back from the screen and compared with the timecode that the page says. Labels of
frames are compared with shared/timecode.py, which is tested against SMPTE ST 12-1.
"""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av.video.stream import VideoStream
from playwright.sync_api import Page, expect
from sqlalchemy import select

from ingest.previews import preview_handler
from shared.catalogue.requests import claim_next, finish
from shared.db import reading, writing
from shared.errors import MediaError, NotFoundError
from shared.models import Clip, Finding, LogEntry, Moment, RequestKind, TakeFacts, now
from shared.timecode import Rate, Timecode
from tests.api.browser.conftest import Site
from tests.api.browser.serving import until
from tests.api.catalogue import entry_of, put_copy
from tests.factories import make_finding

FRAMES = 60
WIDTH, HEIGHT = 256, 144


def write_numbered(path: Path, codec: str, rate: Fraction) -> bytes:
    """A film whose frame n shows n in eight bars from left to right, the lowest bit first: white for one."""
    with av.open(str(path), "w") as film:
        stream = film.add_stream(codec, rate=rate)
        assert isinstance(stream, VideoStream)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        for number in range(FRAMES):
            picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
            for bit in range(8):
                if number >> bit & 1:
                    picture[:, bit * 32 : bit * 32 + 32] = 255
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, "rgb24")):
                film.mux(packet)
        for packet in stream.encode(None):
            film.mux(packet)
    return path.read_bytes()


READ = """() => { const video = document.querySelector('#video'), canvas = document.createElement('canvas');
  [canvas.width, canvas.height] = [256, 144];
  const pen = canvas.getContext('2d', { willReadFrequently: true });
  pen.drawImage(video, 0, 0, 256, 144);
  let number = 0;
  const white = (bit) => pen.getImageData(bit * 32 + 16, 72, 1, 1).data[1] > 127;
  for (let bit = 0; bit < 8; bit += 1) if (white(bit)) number |= 1 << bit;
  return number; }"""


def settled(tab: Page) -> None:
    until(tab, "(v => v.readyState >= 2 && !v.seeking)(document.querySelector('#video'))")
    # What is decoded is on the screen after the next frame of it.
    tab.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")


@pytest.mark.parametrize(
    ("codec", "suffix", "rate"),
    [("libvpx", "webm", Fraction(25)), ("libx264", "mp4", Fraction(30_000, 1001))],
)
def test_the_timecode_is_that_of_the_frame_on_show(
    site: Site, tmp_path: Path, codec: str, suffix: str, rate: Fraction
) -> None:
    start = 107_892 if rate.denominator > 1 else 900_000
    drop = rate.denominator > 1
    data = write_numbered(tmp_path / f"film.{suffix}", codec, rate)
    put_copy(site.sessions, tmp_path / "north", data)
    with writing(site.sessions) as session:
        clip = session.get_one(Clip, 1)
        clip.rate_num, clip.rate_den, clip.drop_frame = rate.numerator, rate.denominator, drop
        clip.start_frame, clip.frames = start, FRAMES
    tab = site.go("/clips/1")
    player = tab.locator("#play")
    seen = 0
    for steps in (1, 1, 1, 7, 20, -3, -1):
        player.focus()
        for _ in range(abs(steps)):
            player.press("ArrowRight" if steps > 0 else "ArrowLeft")
        seen += steps
        settled(tab)
        assert tab.evaluate(READ) == seen
        label = Timecode(start + seen, Rate(rate.numerator, rate.denominator), drop)
        assert tab.locator("#at").inner_text() == str(label)
    # While it plays: what is said at each frame that is shown, against the bars of that frame.
    pairs = tab.evaluate(
        f"""() => new Promise(done => {{ const video = document.querySelector('#video'), pairs = [];
        const read = {READ};
        const said = () => document.querySelector('#at').textContent;
        const each = () => {{ queueMicrotask(() => pairs.push([read(), said()]));
          if (pairs.length < 8 && !video.ended) video.requestVideoFrameCallback(each);
          else setTimeout(() => done(pairs), 50); }};
        video.requestVideoFrameCallback(each);
        document.querySelector('[data-act=play]').click(); }})"""
    )
    assert len(pairs) >= 8
    wrong = [
        (number, said)
        for number, said in pairs
        if said != str(Timecode(start + number, Rate(rate.numerator, rate.denominator), drop))
    ]
    # A frame may be swapped between the call and the drawing, without a screen; hardly ever twice.
    assert len(wrong) <= 1, wrong


def test_what_no_browser_plays_is_made_small_and_has_the_same_frames(site: Site, tmp_path: Path) -> None:
    """MPEG-4 Part 2, which Chromium leaves out: after its preview is made, each frame is the one it was."""
    data = write_numbered(tmp_path / "film.mov", "mpeg4", Fraction(25))
    put_copy(site.sessions, tmp_path / "north", data)
    with writing(site.sessions) as session:
        clip = session.get_one(Clip, 1)
        clip.start_frame, clip.frames = 900_000, FRAMES
    tab = site.go("/clips/1")
    tab.get_by_role("button", name="Play", exact=True).click()
    expect(tab.locator("#trouble")).to_contain_text("This browser can't play the file.")
    tab.get_by_role("button", name="Make a small film to look at").click()
    expect(tab.locator("#trouble")).to_contain_text("waiting for the worker")
    with writing(site.sessions) as session:
        row = claim_next(session, "a test", stale_before=now())
        assert row is not None and row.kind is RequestKind.PREVIEW
    result = preview_handler(site.settings, site.sessions)(dict(row.order), lambda _: None)
    with writing(site.sessions) as session:
        finish(session, row.id, result)
    expect(tab.locator("#video")).to_be_visible()
    player, seen = tab.locator("#play"), 0
    for steps in (1, 1, 9, 30, -5):
        player.focus()
        for _ in range(abs(steps)):
            player.press("ArrowRight" if steps > 0 else "ArrowLeft")
        seen += steps
        settled(tab)
        assert tab.evaluate(READ) == seen
    tab.reload()
    player.focus()
    player.press("ArrowRight")
    settled(tab)
    assert tab.evaluate(READ) == 1, "it is found again"


def test_a_file_that_can_not_be_read_gives_no_preview_and_says_why(site: Site, tmp_path: Path) -> None:
    put_copy(site.sessions, tmp_path / "north", b"no film at all" * 100)
    handle = preview_handler(site.settings, site.sessions)
    with pytest.raises(MediaError) as raised:
        handle({"file": 1}, lambda _: None)
    assert raised.value.remedy is not None and "untouched" in raised.value.remedy
    assert list((site.settings.home / "previews").iterdir()) == []
    with pytest.raises(NotFoundError, match="no copy of"):
        handle({"file": 2}, lambda _: None)


def test_labels_are_those_of_the_program(site: Site) -> None:
    """Around each place where labels are left out, and over midnight."""
    tab = site.go("/days")
    cases = []
    for rate, drop in (
        (Rate(25), False),
        (Rate(24_000, 1001), False),
        (Rate(30_000, 1001), True),
        (Rate(60_000, 1001), True),
        (Rate(50), False),
        (Rate(120), False),
    ):
        day = rate.frames_per_day(drop)
        minute = rate.nominal * 60
        around = [k * minute + d for k in (0, 1, 2, 9, 10, 11, 60, 600) for d in range(-5, 6)]
        for frame in (*around, day - 1, day, day + 7):
            cases.append([frame, rate.num, rate.den, drop, str(Timecode.wrapped(frame, rate, drop))])
    version = tab.evaluate("document.querySelector('script[src]').src.replace(/[^/]*$/, 'timecode.js')")
    wrong = tab.evaluate(
        """([address, cases]) => import(address).then(
        ({ label }) => cases.filter(([frame, ...rate]) => label(frame, ...rate) !== rate.at(-1)))""",
        [version, json.loads(json.dumps(cases))],
    )
    assert wrong == []


def test_a_moment_is_marked_by_keys_and_removed(site: Site, tmp_path: Path) -> None:
    put_copy(
        site.sessions, tmp_path / "north", write_numbered(tmp_path / "film.webm", "libvpx", Fraction(25))
    )
    tab = site.go("/clips/1")
    player = tab.locator("#play")
    player.focus()
    for key in ("ArrowRight", "ArrowRight", "b", "Shift+ArrowRight", "e"):
        player.press(key)
    expect(tab.locator("#marked")).to_have_text("from 10:00:00:02 up to 10:00:01:03")
    tab.locator("#moment-name").fill("the <i>gear</i> takes it")
    player.focus()
    player.press("Enter")
    expect(tab.locator("#moments li")).to_contain_text("10:00:00:02–10:00:01:03 the <i>gear</i> takes it")
    with reading(site.sessions) as session:
        one = session.scalars(select(Moment)).one()
        assert (one.in_frame, one.out_frame) == (2, 28), "the frame one saw last belongs to it"
    tab.reload()
    tab.get_by_role("button", name="Remove the <i>gear</i> takes it").click()
    expect(tab.locator("#moments li")).to_have_count(0)
    with reading(site.sessions) as session:
        assert session.scalars(select(Moment)).all() == []


def test_stills_are_scrubbed_with_pointer_and_keys(site: Site) -> None:
    tab = site.go("/clips/1")
    still = tab.locator("#still")
    expect(still).to_have_attribute("alt", "Frame 110 of C0001")
    box = still.bounding_box()
    assert box is not None
    tab.mouse.move(box["x"] + 10, box["y"] + 50)
    expect(still).to_have_attribute("alt", "Frame 10 of C0001")
    tab.mouse.move(box["x"] + box["width"] - 10, box["y"] + 50)
    expect(still).to_have_attribute("alt", "Frame 210 of C0001")
    tab.locator(".film button").nth(2).focus()
    tab.keyboard.press("ArrowLeft")
    expect(still).to_have_attribute("alt", "Frame 110 of C0001")
    expect(tab.locator("#at")).to_have_text(str(Timecode(900_110, Rate(25))))


def test_a_file_without_a_copy_says_so(site: Site) -> None:
    tab = site.go("/clips/1")
    tab.get_by_role("button", name="Play").click()
    expect(tab.locator("#trouble")).to_contain_text("No copy of this file is at hand")
    expect(tab.locator("#still")).to_be_visible()
    site.watched.faults.clear()  # the browser itself notes each 404


def test_a_file_that_no_browser_plays_says_so(site: Site, tmp_path: Path) -> None:
    put_copy(site.sessions, tmp_path / "north", b"no film at all" * 100)
    tab = site.go("/clips/1")
    tab.get_by_role("button", name="Play").click()
    expect(tab.locator("#trouble")).to_contain_text("This browser can't play the file")


def test_the_entry_is_edited_and_survives_a_reload(site: Site) -> None:
    assert site.seeded is not None
    tab = site.go(f"/clips/{site.seeded.unlogged}")
    expect(tab.locator("#saved")).to_have_text("Nobody has logged this clip.")
    tab.locator("#f-rating").select_option("circled")
    tab.locator("#f-note").fill("First flight.\nWind from the west.")
    tab.locator("#f-people").fill("Ada Wren\nNell Marsh")
    tab.locator("#f-tags").focus()
    expect(tab.locator("#saved")).to_have_text("Saved.")
    tab.reload()
    assert tab.locator("#f-rating").input_value() == "circled"
    assert tab.locator("#f-note").input_value() == "First flight.\nWind from the west."
    assert tab.locator("#f-people").input_value() == "Ada Wren\nNell Marsh"


def test_what_somebody_else_changed_is_not_written_over(site: Site) -> None:
    tab = site.go("/clips/1")
    with writing(site.sessions) as session:
        entry = entry_of(session, 1)
        assert entry is not None
        entry.rating, entry.version = "hold", entry.version + 1
    tab.locator("#f-size").select_option("ms")
    expect(tab.locator("#said")).to_contain_text("somebody else changed this clip meanwhile")
    assert tab.locator("#f-rating").input_value() == "hold" and tab.locator("#f-size").input_value() == "els"
    tab.locator("#f-size").select_option("ms")
    expect(tab.locator("#saved")).to_have_text("Saved.")
    with reading(site.sessions) as session:
        row = session.scalars(select(LogEntry).filter_by(clip_id=1)).one()
        assert (row.rating, row.size) == ("hold", "ms")
    site.watched.faults.clear()  # the browser itself notes each 412


def test_facts_name_their_source_and_copies_their_state(site: Site) -> None:
    with writing(site.sessions) as session:
        facts = session.scalars(select(TakeFacts)).first()
        assert facts is not None
        facts.timecode_source = "timecode track"
    tab = site.go("/clips/1")
    expect(tab.locator("dl").first).to_contain_text("timecode track")
    expect(site.go("/clips/8").locator(".files")).to_contain_text("South: differs from the card")


def test_a_findings_place_plays_from_there_and_its_form_needs_no_mouse(site: Site, tmp_path: Path) -> None:
    """The bars of the picture tell where it is."""
    data = write_numbered(tmp_path / "film.webm", "libvpx", Fraction(25))
    put_copy(site.sessions, tmp_path / "north", data)
    with writing(site.sessions) as session:
        clip = session.get_one(Clip, 1)
        clip.start_frame, clip.frames = 900_000, FRAMES
        make_finding(
            session, clip, code="shaky", message="It shakes. Stand still.", in_frame=40, out_frame=50
        )
    tab = site.go("/clips/1")
    place = tab.locator(".findings a[data-from]")
    expect(place).to_have_text("10:00:01:15\u201310:00:02:00")
    assert (place.get_attribute("href") or "").endswith("/content#t=1.600,2.000")
    place.focus()
    tab.keyboard.press("Enter")
    until(tab, "document.querySelector('#video').ended")
    assert tab.evaluate(READ) == FRAMES - 1
    tab.reload()
    # Only paused is a frame certain: it is looked for without being played.
    tab.evaluate("HTMLMediaElement.prototype.play = async () => {}")
    place.press("Enter")
    settled(tab)
    assert tab.evaluate(READ) == 40
    tab.locator("summary").filter(has_text="Dismiss: It shakes").press("Enter")
    tab.keyboard.press("Tab")
    tab.keyboard.type("the boat rocks")
    tab.keyboard.press("Enter")
    expect(tab.locator(".findings.over")).to_contain_text("Because: the boat rocks")
    with reading(site.sessions) as session:
        assert session.scalars(select(Finding.dismissed).filter_by(code="shaky")).one() == "the boat rocks"
