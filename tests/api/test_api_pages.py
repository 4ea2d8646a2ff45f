"""The pages: complete without script, escaped, and fit for a phone and a keyboard."""

from __future__ import annotations

import re

import pytest
from lxml import html
from sqlalchemy import String, cast, literal, select, update
from starlette.testclient import TestClient

from shared.db import Sessions, writing
from shared.models import Clip, LogEntry, ShootingDay, TakeFacts
from tests import factories as make
from tests.api.catalogue import Seeded

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&"


def page(client: TestClient, address: str, status: int = 200) -> html.HtmlElement:
    answer = client.get(address, headers={"Accept": "text/html"})
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    return html.document_fromstring(answer.text)


def words(element: html.HtmlElement) -> str:
    return " ".join(" ".join(element.itertext()).split())


def pick(element: html.HtmlElement, path: str) -> list[html.HtmlElement]:
    """By XPath, in which `tag.name` stands for a tag of that class."""
    classed = "{}[contains(concat(' ', normalize-space(@class), ' '), ' {} ')]"
    spelt = re.sub(r"(\w+)\.([a-z]\w*)", lambda found: classed.format(found[1], found[2]), path)
    return list(element.xpath(spelt))


ALL = ["/days", "/days/1", "/clips/1", "/find", "/find?q=ferry", "/problems/not-found"]


def test_the_front_door_leads_to_the_days(client: TestClient) -> None:
    answer = client.get("/")
    assert answer.status_code == 303 and answer.headers["location"] == "/days"


def test_an_empty_catalogue_says_how_to_begin(client: TestClient) -> None:
    for address in ("/days", "/find"):
        assert "rushlight new" in words(page(client, address))


def test_days_have_goals_counts_and_clips(client: TestClient, seeded: Seeded) -> None:
    days = pick(page(client, "/days"), "//section.day")
    assert len(days) == 2
    first = words(days[0])
    assert "Friday 1 May 2026" in first and "4 clips, 53.6 s" in first
    assert "the interview in the wheelhouse" in first
    assert "All 4 files verified at North and South." in first
    assert "Keep the card, its last offload said: 4 files on one drive." in first
    second = words(days[1])
    assert "At South: 3 verified and 1 different from the card, of 4 files." in second
    assert "All 3 files verified at North. Only one complete copy: keep the card." in second
    assert [len(pick(day, "descendant::a.card")) for day in days] == [4, 6]


def test_stills_are_lazy_and_described(client: TestClient, seeded: Seeded) -> None:
    for picture in pick(page(client, "/days"), "//img"):
        assert picture.get("loading") == "lazy" and picture.get("width") and picture.get("height")
        assert re.fullmatch(r"(Frame \d+|Waveform) of \w+", picture.get("alt"))
        assert client.get(picture.get("src")).headers["cache-control"].endswith("immutable")


def test_a_long_day_shows_its_first_clips_and_the_way_to_the_rest(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    with writing(catalogue) as session:
        session.execute(update(Clip).values(day_id=session.query(ShootingDay.id).limit(1).scalar()))
    (more,) = pick(page(client, "/days"), "//p.more/a")
    assert words(more) == "All 10 clips of day 1"
    assert len(pick(page(client, more.get("href")), "//a.card")) == 10


def test_what_belongs_to_no_day_is_shown(client: TestClient, seeded: Seeded, catalogue: Sessions) -> None:
    with writing(catalogue) as session:
        session.execute(update(Clip).where(Clip.id == seeded.unlogged).values(day_id=None))
    last = pick(page(client, "/days"), "//section.day")[-1]
    assert "Without a day 1 clip" in words(last) and "FLY0001" in words(last)


def test_one_clip(client: TestClient, seeded: Seeded) -> None:
    shown = words(page(client, f"/clips/{seeded.clips[7]}"))
    for expected in (
        "Reel A002 · Saturday 2 May 2026, 07:52:00 CEST",
        "Kind B-roll",
        "Rating NG",
        "Start timecode 10:01:00:00",
        "Warning soft focus",
        "North: verified",
        "South: differs from the card",
        "Picture AVC · 1920 × 1080",
    ):
        assert expected in shown
    assert "Nobody has logged this clip" in words(page(client, f"/clips/{seeded.unlogged}"))
    page(client, "/clips/99", 404)


def test_a_clip_shows_how_its_time_and_its_timecode_were_read(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    with writing(catalogue) as session:
        clip = session.get_one(Clip, seeded.clips[7])
        clip.shot_source, clip.shot_read_as, clip.shot_correction_ms = "movie header", "local", -3_603_000
        facts = session.scalars(select(TakeFacts).filter_by(file_id=clip.files[0].file_id)).one()
        facts.recorded_raw, facts.timecode_source = "2026-05-02 09:00:00 UTC", "timecode track"
        facts.more = {"timecode_counts": "pairs"}
        person = make.make_person(session, clip.production, "Nell Marsh")
        make.make_channel(session, clip, 2, person_id=person.id)
        make.make_pair(session, clip, session.get_one(Clip, seeded.sound))
    shown = words(page(client, f"/clips/{seeded.clips[7]}"))
    for expected in (
        "Timecode from timecode track · its last field counts pairs",
        "Stamp 2026-05-02 09:00:00 UTC · movie header · read as the wall clock of the production's zone · "
        "corrected by −1 h 0 min 3 s",
        "Channel 2 Nell Marsh",
        "the picture begins +00:00:02.000 into the sound (suggested, confidence 0.90)",
    ):
        assert expected in shown


def test_find_and_narrow_down(client: TestClient, seeded: Seeded) -> None:
    found = page(client, "/find?q=kind:interview,insert")
    assert "4 clips" in words(pick(found, "//p.total")[0])
    links = {words(link): link.get("href") for link in pick(found, "//nav.facets//a")}
    assert "Main camera" not in links, "a value that all have narrows nothing"
    narrowed = page(client, links["Day 2"])
    assert "2 clips" in words(pick(narrowed, "//p.total")[0])
    assert pick(narrowed, "//input[@id='q']")[0].get("value") == "kind:interview,insert day:2"


def test_a_query_that_can_not_be_read_is_pointed_at(client: TestClient, seeded: Seeded) -> None:
    found = page(client, "/find?q=winch kind:intervieuw day:2", 422)
    (error,) = pick(found, "//*[@role='alert']")
    assert words(pick(error, "descendant::mark")[0]) == "intervieuw"
    assert "".join(pick(error, "descendant::p.query")[0].itertext()) == "winch kind:intervieuw day:2"
    assert "Did you mean interview" in words(error)
    assert pick(found, "//input[@id='q']")[0].get("value") == "winch kind:intervieuw day:2", (
        "it can be mended"
    )


@pytest.mark.parametrize("address", ALL)
def test_every_page_has_its_frame(client: TestClient, seeded: Seeded, address: str) -> None:
    shown = page(client, address)
    assert shown.get("lang") == "en"
    assert len(pick(shown, "//h1")) == len(pick(shown, "//main")) == 1
    assert pick(shown, "/html/body/*")[0].get("href") == "#main", "the skip link comes first"
    labelled = {label.get("for") for label in pick(shown, "//label")}
    for control in pick(shown, "//input[not(@type='hidden')]"):
        assert control.get("id") in labelled


@pytest.mark.parametrize("address", ALL)
def test_no_page_needs_what_the_policy_forbids(client: TestClient, seeded: Seeded, address: str) -> None:
    """default-src 'none' without 'unsafe-inline': no script, no inline style, nothing of other hosts."""
    shown = page(client, address)
    assert not pick(shown, "//script | //style | //iframe | //object | //base")
    for element in shown.iter():
        for name, value in element.attrib.items():
            assert name != "style" and not name.startswith("on")
            if name in ("href", "src", "action"):
                assert value.startswith(("/", "#")) and not value.startswith("//")


@pytest.mark.parametrize("address", ["/days", "/days/1", "/clips/1", "/find", "/find?q=%3Cscript%3E:x"])
def test_hostile_text_is_shown_as_text(
    client: TestClient, seeded: Seeded, catalogue: Sessions, address: str
) -> None:
    with writing(catalogue) as session:
        name = HOSTILE.replace("/", "\u2215")
        session.execute(update(Clip).values(name=literal(f"D/{name}") + cast(Clip.id, String)))
        session.execute(update(LogEntry).values(note=HOSTILE, subject=HOSTILE, kind=HOSTILE[:60]))
        session.execute(update(ShootingDay).values(goal=HOSTILE))
    shown = page(client, address, 422 if "%3C" in address else 200)
    assert not pick(shown, "//script | //*[@onerror] | //img[@src='x']")
    assert "<script>" in words(shown), "it was meant to be shown"


def test_the_style_sheet_is_kept_for_ever(client: TestClient) -> None:
    link = pick(page(client, "/days"), "//link[@rel='stylesheet']")[0].get("href")
    answer = client.get(link)
    assert answer.headers["content-type"] == "text/css; charset=utf-8"
    assert "immutable" in answer.headers["cache-control"]
    assert "url(" not in answer.text and "@import" not in answer.text, "nothing of other hosts"
    assert client.get("/static/../app.py").status_code == 404
    assert client.get("/static/nothing.css").status_code == 404
