"""The pages: complete without script, escaped, and fit for a phone and a keyboard."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import pytest
from lxml import html
from sqlalchemy import String, cast, literal, select, update
from starlette.testclient import TestClient

from api.pages import site
from shared.db import Sessions, writing
from shared.models import (
    Camera,
    Clip,
    ClipMedia,
    Destination,
    LogEntry,
    Production,
    Reel,
    ShootingDay,
    TakeFacts,
)
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


ALL = [
    "/days",
    "/days/1",
    "/clips/1",
    "/find",
    "/find?q=ferry",
    "/find?view=table",
    "/log",
    "/cards",
    "/begin",
    "/problems/not-found",
]


def test_the_front_door_leads_to_the_days(client: TestClient) -> None:
    answer = client.get("/")
    assert answer.status_code == 303 and answer.headers["location"] == "/days"


def test_an_empty_catalogue_leads_to_the_first_card(client: TestClient) -> None:
    for address in ("/days", "/find", "/log", "/cards", "/begin"):
        shown = page(client, address)
        assert [words(one) for one in pick(shown, "//ol.steps/li/h2")] == [
            "Name the production",
            "List cameras and lenses",
            "Choose destinations",
            "Put a card in",
        ]
        assert pick(shown, "//form[@id='production']")


def test_days_have_goals_totals_and_what_is_safe(client: TestClient, seeded: Seeded) -> None:
    days = pick(page(client, "/days"), "//section.day")
    assert len(days) == 2
    first = words(days[0])
    assert "Friday 1 May 2026" in first and "4 clips, 53.6 s" in first and "All logged" in first
    assert "the interview in the wheelhouse" in first
    assert "Not safe. All 4 files verified at North and South." in first
    assert "Keep the card, its last offload said: 4 files on one drive." in first
    second = words(days[1])
    assert "4 logged, 2 to do" in second
    assert "At South: 3 verified and 1 different from the card, of 4 files." in second
    assert "All 3 files verified at North. Only one complete copy: keep the card." in second
    assert [len(pick(day, "descendant::ul.row/li")) for day in days] == [4, 3], (
        "those of four that have a still"
    )


def test_reels_of_which_the_same_is_to_be_said_stand_together(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    with writing(catalogue) as session:
        like = session.get_one(Reel, seeded.reels[2])
        place = session.scalars(select(Destination).filter_by(name="North")).one()
        for number in range(8):
            reel = make.make_reel(session, like.production, name=f"E{number:03}", day_id=like.day_id)
            for _ in range(number + 1):
                make.make_copy(session, make.make_file(session, reel), place)
    lines = [words(one) for one in pick(page(client, "/days"), "//ul.reels/li")]
    assert (
        "D001, E000, E001, E002, E003 and 4 more Not safe. Every file that could be read is verified at "
        "North. Only one complete copy: keep the card." in lines
    )


def test_a_long_production_is_shown_by_its_latest_days(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    with writing(catalogue) as session:
        production = session.get_one(Production, seeded.production)
        for _ in range(20):
            make.make_day(session, production)
    shown = page(client, "/days")

    def numbers(shown: html.HtmlElement) -> list[int]:
        return [int(words(one)) for one in pick(shown, "//span.numeral")]

    assert numbers(shown) == list(range(13, 23))
    (earlier,) = pick(shown, "//a[@rel='prev']")
    before = page(client, earlier.get("href"))
    assert numbers(before) == list(range(3, 13))
    (later,) = pick(before, "//a[@rel='next']")
    assert numbers(page(client, later.get("href"))) == list(range(13, 23))
    assert numbers(page(client, pick(before, "//a[@rel='prev']")[0].get("href"))) == [1, 2]


def test_stills_are_lazy_and_described(client: TestClient, seeded: Seeded) -> None:
    for picture in pick(page(client, "/days"), "//img"):
        assert picture.get("loading") == "lazy" and picture.get("width") and picture.get("height")
        assert re.fullmatch(r"(Frame \d+|Waveform) of \w+", picture.get("alt"))
        assert client.get(picture.get("src")).headers["cache-control"].endswith("immutable")


def test_a_long_day_goes_on_where_its_page_ends(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    with writing(catalogue) as session:
        reel = session.get_one(Reel, seeded.reels[0])
        for number in range(70):
            make.make_clip(session, reel, f"M/M{number:04}.MOV")
    first = page(client, "/days/1")
    (more,) = pick(first, "//p.more/a")
    rest = page(client, more.get("href"))
    names = [words(one) for shown in (first, rest) for one in pick(shown, "//a.card/span.name")]
    assert len(names) == len(set(names)) == 74


def test_what_belongs_to_no_day_is_shown(client: TestClient, seeded: Seeded, catalogue: Sessions) -> None:
    with writing(catalogue) as session:
        session.execute(update(Clip).where(Clip.id == seeded.unlogged).values(day_id=None))
    last = pick(page(client, "/days"), "//section.day")[-1]
    assert "Without a day 1 clip" in words(last)
    (link,) = pick(last, "descendant::p.more/a")
    assert "FLY0001" in words(page(client, link.get("href")))


def test_one_clip(client: TestClient, seeded: Seeded) -> None:
    shown = words(page(client, f"/clips/{seeded.clips[7]}"))
    for expected in (
        "Reel A002 · Saturday 2 May 2026, 07:52:00 CEST",
        "Start timecode 10:01:00:00",
        "Warning soft focus",
        "North: verified",
        "South: differs from the card",
        "Picture AVC · 1920 × 1080",
    ):
        assert expected in shown
    chosen = {
        one.get("name"): words(pick(one, "descendant::option[@selected]")[0])
        for one in pick(page(client, f"/clips/{seeded.clips[7]}"), "//form[@id='log']//select")
        if pick(one, "descendant::option[@selected]")
    }
    assert chosen == {"kind": "B-roll", "size": "Close-up", "rating": "NG"}
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
    assert "4 clips" in words(pick(found, "//div.total")[0])
    links = {words(link): link.get("href") for link in pick(found, "//nav.facets//a")}
    assert "Main camera" not in links, "a value that all have narrows nothing"
    narrowed = page(client, links["Day 2"])
    assert "2 clips" in words(pick(narrowed, "//div.total")[0])
    assert pick(narrowed, "//input[@id='q']")[0].get("value") == "kind:interview,insert day:2"
    (chosen,) = pick(narrowed, "//nav.facets//a[@aria-current='true']")
    widened = page(client, chosen.get("href"))
    assert pick(widened, "//input[@id='q']")[0].get("value") == "kind:interview,insert"


def test_a_part_of_a_page_is_that_part(client: TestClient, seeded: Seeded) -> None:
    """What a script puts in place is what the whole page has there."""
    for address in ("/find?q=ferry", "/days/2?q=kind:interview"):
        whole = pick(page(client, address), "//div[@id='found']")[0]
        part = page(client, f"{address}&part=found").find("body")
        assert words(part) == words(whole) and not pick(part, "//header")


def test_setups_are_of_one_camera_and_lens_without_a_long_pause() -> None:
    from api.pages.setups import group_setups

    at = dt.datetime(2026, 5, 1, 6, tzinfo=dt.UTC)

    def clip(id: int, camera: int, minute: int | None, lens: int = 1) -> Clip:
        shot = None if minute is None else at + dt.timedelta(minutes=minute)
        return Clip(
            id=id, camera_id=camera, lens_id=lens, shot_at=shot, media=ClipMedia.VIDEO,
            rate_num=25, rate_den=1, frames=25 * 60,
        )  # fmt: skip

    clips = [
        clip(1, 1, 0),
        clip(2, 2, 1),
        clip(3, 1, 10),
        clip(4, 1, 27),
        clip(5, 1, 28, 2),
        clip(6, 1, None),
    ]
    setups = group_setups(list(reversed(clips)))
    # One minute long each: from minute 11 to minute 27 there are sixteen, one more than belongs together.
    assert [[one.id for one in setup.clips] for setup in setups] == [[1, 3], [2], [4], [5], [6]]
    assert setups[0].begins == at and setups[0].ends == at + dt.timedelta(minutes=11)
    assert setups[-1].begins is None


def test_keys_are_letters_of_the_words_where_they_are_free() -> None:
    from api.pages.vocabulary import choose_keys

    assert choose_keys(["Good", "Gone bad", "Bad", "Ébad"]) == ["g", "b", "a", "d"]
    many = choose_keys([f"Alpha {n}" for n in range(60)])
    assert len(set(many)) == 53 and many.count("") == 8, "52 keys, and the rest has none"


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
    for control in pick(shown, "//input[not(@type='hidden')] | //select | //textarea"):
        assert control.get("id") in labelled or pick(control, "ancestor::label")


@pytest.mark.parametrize("address", ALL)
def test_no_page_needs_what_the_policy_forbids(client: TestClient, seeded: Seeded, address: str) -> None:
    """default-src 'none' without 'unsafe-inline': no script, no inline style, nothing of other hosts."""
    shown = page(client, address)
    assert not pick(shown, "//style | //iframe | //object | //base")
    for script in pick(shown, "//script"):
        assert script.get("src") or script.get("type") == "application/json", "data is not run"
    for element in shown.iter():
        for name, value in element.attrib.items():
            assert name != "style" and not name.startswith("on")
            if name in ("href", "src", "action"):
                assert value.startswith(("/", "#")) and not value.startswith("//")


@pytest.mark.parametrize(
    "address",
    ["/days", "/days/1", "/clips/1", "/find", "/find?view=table", "/cards", "/find?q=%3Cscript%3E:x"],
)
def test_hostile_text_is_shown_as_text(
    client: TestClient, seeded: Seeded, catalogue: Sessions, address: str
) -> None:
    with writing(catalogue) as session:
        name = HOSTILE.replace("/", "\u2215")
        session.execute(update(Clip).values(name=literal(f"D/{name}") + cast(Clip.id, String)))
        session.execute(update(LogEntry).values(note=HOSTILE, subject=HOSTILE, kind=HOSTILE[:60]))
        session.execute(update(ShootingDay).values(goal=HOSTILE))
        session.execute(update(Camera).values(name=HOSTILE))
    shown = page(client, address, 422 if "%3C" in address else 200)
    assert not pick(shown, "//*[@onerror] | //img[@src='x']")
    for script in pick(shown, "//script"):
        assert "alert" not in (script.text or "") and script.get("src", "/static/").startswith("/static/")
    assert "<script>" in words(shown), "it was meant to be shown"


def test_the_style_sheet_is_kept_for_ever(client: TestClient) -> None:
    link = pick(page(client, "/days"), "//link[@rel='stylesheet']")[0].get("href")
    answer = client.get(link)
    assert answer.headers["content-type"] == "text/css; charset=utf-8"
    assert "immutable" in answer.headers["cache-control"]
    assert "url(" not in answer.text and "@import" not in answer.text, "nothing of other hosts"
    version = link.split("/")[2]
    assert client.get(f"/static/{version}/../app.py").status_code == 404
    assert client.get(f"/static/{version}/nothing.css").status_code == 404
    assert client.get("/static/another/rushlight.css").headers["cache-control"] == "no-cache"


def test_the_scripts_are_few_and_small(client: TestClient, seeded: Seeded) -> None:
    """60 KB in all; each is a module, kept for ever, and imports only what lies beside it."""
    folder = Path(site.__file__).parent / "static"
    scripts = sorted(folder.glob("*.js"))
    assert sum(one.stat().st_size for one in scripts) <= 60_000
    names = {one.name for one in scripts}
    for script in scripts:
        text = script.read_text(encoding="utf-8")
        imported = re.findall(r'from "([^"]+)"', text)
        assert {one.removeprefix("./") for one in imported} <= names, script.name
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(", text), (
            script.name
        )
    for address in ALL:
        for tag in pick(page(client, address), "//script[@src]"):
            answer = client.get(tag.get("src"))
            assert tag.get("type") == "module" and "immutable" in answer.headers["cache-control"]
            assert answer.headers["content-type"].startswith("text/javascript")
