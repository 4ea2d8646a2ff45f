"""Forms of the pages, as a browser without script sends them: findings, suggestions and the plan.

The media type is that of URL-encoded forms (WHATWG URL, 5); a browser gives Origin with every POST (Fetch,
"append a request Origin header"); places are media fragments (W3C Media Fragments URI 1.0, 4.2.1).
"""

from __future__ import annotations

import re
from typing import Any

import httpx2
import pytest
from lxml import html
from sqlalchemy import select, update
from starlette.testclient import TestClient

from shared.db import Sessions, reading, writing
from shared.models import Answer, ChangeSet, Clip, Finding, LogEntry, NarrationLine, ShootingDay, WantedShot
from tests import factories as make
from tests.api.catalogue import BASE, Seeded, entry_of
from tests.api.measured import measure_clip


def send(client: TestClient, address: str, sender: str | None = BASE, /, **values: Any) -> httpx2.Response:
    headers = {"Accept": "text/html"} | ({"Origin": sender} if sender else {})
    return client.post(address, data=values, headers=headers)


def parse(text: str) -> Any:
    return html.fromstring(text)


def page(client: TestClient, address: str) -> Any:
    answer = client.get(address, headers={"Accept": "text/html"})
    assert answer.status_code == 200, answer.text[:500]
    return parse(answer.text)


def press(client: TestClient, address: str, form: Any, button: str = "", **typed: Any) -> httpx2.Response:
    """Fill a form of a page in, and press one of its buttons; the page it leads to is looked at."""
    values = dict(form.form_values()) | typed
    if button:
        (pressed,) = [one for one in form.iter("button") if one.text_content().startswith(button)]
        if pressed.get("name"):
            values[pressed.get("name")] = pressed.get("value")
    answer = send(client, form.get("action"), **values)
    assert answer.status_code == 303, answer.text[:800]
    assert answer.headers["location"].startswith(address)
    return client.get(answer.headers["location"], headers={"Accept": "text/html"})


@pytest.fixture
def clip(seeded: Seeded, catalogue: Sessions) -> int:
    """A clip that has been measured: focus hunts from 4 s to 7.92 s of it, and it stands still."""
    with writing(catalogue) as session:
        measure_clip(session, session.get_one(Clip, seeded.clips[1]))
    return seeded.clips[1]


# -- who may send a form ------------------------------------------------------------------------------


def test_only_our_own_pages_forms_are_taken_and_only_by_pages(client: TestClient, clip: int) -> None:
    address = f"/clips/{clip}/suggestions"
    assert send(client, address, None, suggestion="all").status_code == 415
    assert send(client, address, "http://ferry.example", suggestion="all").status_code == 403
    assert send(client, address, "null", suggestion="all").status_code == 403
    assert send(client, "/api/v1/suggestions/accept", clips="1").status_code == 415
    # Without a policy that lets it, a browser says "null" of our own forms, too (Fetch).
    assert client.get("/days").headers["referrer-policy"] == "same-origin"
    assert send(client, address, suggestion="all").status_code == 303


# -- findings -----------------------------------------------------------------------------------------


def test_a_finding_stands_with_place_number_rule_and_curve(client: TestClient, clip: int) -> None:
    shown = page(client, f"/clips/{clip}")
    (link,) = shown.xpath("//*[@class='findings']//a[@data-from]")
    assert re.search(r"#t=4\.000,7\.920$|^#stage$", link.get("href"))
    assert link.get("data-from") == "100", "25 frames a second, from 4 s"
    said = shown.xpath("//*[@class='findings']/li")[0].text_content()
    assert "Rule: " in said and "Hz" in said
    titles = [one.text_content() for one in shown.xpath("//figcaption")]
    assert titles[0].startswith("Sharpness in the middle")
    assert any("Sound, channel 2" in title for title in titles)
    marks = shown.xpath("//figure[1]//*[@class='mark']")
    assert len(marks) == 1 and float(marks[0].get("x")) == pytest.approx(600 * 100 / 315, abs=0.1)
    assert not shown.xpath("//figure[last()]//*[@class='mark']"), "a finding of the picture is none of sound"


def test_a_finding_is_dismissed_with_a_reason_and_comes_back(
    client: TestClient, clip: int, catalogue: Sessions
) -> None:
    address = f"/clips/{clip}"
    (form,) = page(client, address).xpath("//details/form[contains(@action, '/findings/')]")
    assert send(client, form.get("action"), **dict(form.form_values())).status_code == 422, "without a reason"
    stale = send(client, form.get("action"), tag='"old"', reason="meant")
    assert stale.status_code == 412 and "somebody else" in stale.text.lower()
    shown = parse(press(client, address, form, reason="a <b>dream</b>, meant").text)
    assert not shown.xpath("//details/form[contains(@action, '/findings/')]")
    (away,) = shown.xpath("//*[@class='findings over']/li")
    assert "Because: a <b>dream</b>, meant" in away.text_content()
    assert not shown.xpath("//*[@class='mark']"), "what is dismissed marks nothing"
    with reading(catalogue) as session:
        assert session.scalars(select(Finding.dismissed).where(Finding.dismissed.is_not(None))).all() == [
            "a <b>dream</b>, meant"
        ]
        edit = session.scalars(select(ChangeSet.id).order_by(ChangeSet.id.desc())).first()
    (back,) = away.xpath(".//form")
    press(client, address, back, "Bring it back")
    with reading(catalogue) as session:
        assert not session.scalars(select(Finding.id).where(Finding.dismissed.is_not(None))).all()
        assert (session.scalars(select(ChangeSet.id).order_by(ChangeSet.id.desc())).first() or 0) > (
            edit or 0
        )


def test_sound_alone_has_places_in_time_and_never_in_samples(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    with writing(catalogue) as session:
        sound = session.get_one(Clip, seeded.sound)
        sound.rate_num, sound.rate_den, sound.frames, sound.start_frame = 48_000, 1, 48_000 * 90, None
        values = {"code": "sound-clipped", "channel": 1, "in_frame": 48_000 * 61, "out_frame": 48_000 * 63}
        make.make_finding(session, sound, **values)
    said = page(client, f"/clips/{seeded.sound}").xpath("//*[@class='findings']")[0].text_content()
    assert "1:01.0–1:03.0" in said and "channel 1" in said and "2928000" not in said


# -- suggestions --------------------------------------------------------------------------------------


def test_a_suggestion_is_taken_over_only_where_nobody_said_anything(
    client: TestClient, clip: int, catalogue: Sessions
) -> None:
    address = f"/clips/{clip}"
    (button,) = page(client, address).xpath("//button[@form='accept']")
    assert "Static?" in button.text_content() and "%" in button.text_content() and button.get("title")
    number = button.get("value")
    with writing(catalogue) as session:
        session.execute(update(LogEntry).where(LogEntry.clip_id == clip).values(movement="pan"))
    assert not page(client, address).xpath("//button[@form='accept']")
    assert send(client, f"{address}/suggestions", suggestion=number).status_code == 303
    with reading(catalogue) as session:
        entry = entry_of(session, clip)
        assert entry is not None and entry.movement == "pan", "a person's word stands"
    with writing(catalogue) as session:
        session.execute(update(LogEntry).where(LogEntry.clip_id == clip).values(movement=None))
    assert send(client, f"{address}/suggestions", suggestion=number).status_code == 303
    with reading(catalogue) as session:
        entry = entry_of(session, clip)
        assert entry is not None and entry.movement == "static"


def test_suggestions_are_taken_over_in_bulk_and_undone(
    client: TestClient, clip: int, seeded: Seeded, catalogue: Sessions
) -> None:
    (one,) = client.get(f"/api/v1/clips/{clip}/suggestions").json()["items"]
    assert (one["field"], one["value"]) == ("movement", "static")
    post = "/api/v1/suggestions/accept"
    looked = client.post(post, json={"clips": list(seeded.clips), "preview": True})
    assert (looked.status_code, looked.json()) == (200, {"count": 1, "clips": 1, "change": None})
    assert client.post(post, json={"query": "", "expect": 7}).status_code == 409
    assert client.post(post, json={"query": "", "least": 1}).json()["count"] == 0
    done = client.post(post, json={"query": "", "expect": 1})
    assert done.status_code == 201
    with reading(catalogue) as session:
        entry = entry_of(session, clip)
        assert entry is not None and entry.movement == "static"
    undone = client.post(
        f"/api/v1/changes/{done.json()['change']}/undo", headers={"Content-Type": "application/json"}
    )
    assert undone.status_code == 201
    assert len(client.get(f"/api/v1/clips/{clip}/suggestions").json()["items"]) == 1


# -- many ---------------------------------------------------------------------------------------------


def test_tags_and_people_are_added_beside_those_that_are_there(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    ids = list(seeded.clips[:3])
    href = "/api/v1/clips/{}/log"
    before = [client.get(href.format(one)).json() for one in ids]
    add = {"tags": ["fog", " fog "], "people": ["Jan Holt"]}
    done = client.post("/api/v1/changes", json={"clips": ids, "add": add})
    assert done.status_code == 201 and done.json()["count"] == 3
    for one, old in zip(ids, before, strict=True):
        now = client.get(href.format(one)).json()
        assert sorted(now["tags"]) == sorted({*old["tags"], "fog"})
        assert sorted(now["people"]) == sorted({*old["people"], "Jan Holt"})
    undone = client.post(
        f"/api/v1/changes/{done.json()['change']}/undo", headers={"Content-Type": "application/json"}
    )
    assert undone.status_code == 201
    after = [client.get(href.format(one)).json() for one in ids]
    assert [(one["tags"], one["people"]) for one in after] == [(one["tags"], one["people"]) for one in before]
    assert client.post("/api/v1/changes", json={"clips": ids}).status_code == 422


# -- the plan -----------------------------------------------------------------------------------------


def form_at(client: TestClient, address: str, action: str) -> Any:
    (form,) = page(client, address).xpath(f"//form[@action='{action}']")
    return form


def test_days_and_goals_are_entered(client: TestClient, seeded: Seeded, catalogue: Sessions) -> None:
    new = form_at(client, "/plan", "/plan/days")
    assert new.form_values() and dict(new.form_values())["number"] == "3"
    press(client, "/plan", new, "Add the day", date="2026-05-14", goal="The people who cross.")
    change = page(client, "/plan?change=day-3").xpath("//li[@id='day-3']/form")[0]
    press(client, "/plan", change, "Save day 3", goal="Who crosses, and why.")
    with reading(catalogue) as session:
        day = session.scalars(select(ShootingDay).filter_by(number=3)).one()
        assert day.goal == "Who crosses, and why."
    stale = dict(change.form_values())
    assert send(client, "/plan/days", **stale).status_code == 412, "somebody changed it meanwhile"


def test_a_shot_is_wanted_changed_answered_and_removed(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    new = form_at(client, "/plan", "/plan/wishes")
    typed = {
        "what": "Her hands at the <b>winch</b>",
        "need": "must",
        "day": "1",
        "kind": "Insert",
        "seconds": "4",
        "who": 'Ada Wren, "Holt, Jan"',
    }
    shown = parse(press(client, "/plan", new, "Want it", **typed).text)
    (item,) = shown.xpath("//li[starts-with(@id, 'wish-')]")
    assert "Her hands at the <b>winch</b>" in item.text_content() and "must" in item.text_content()
    number = item.get("id").removeprefix("wish-")
    with reading(catalogue) as session:
        wish = session.get_one(WantedShot, int(number))
        assert (wish.kind, wish.seconds, wish.need.value) == ("insert", 4, "must")
        assert sorted(person.name for person in wish.people) == ["Ada Wren", "Holt, Jan"]
    # The likeliest is confirmed and the next refused, each by one press: many clips to a shot, and back.
    likely = item.xpath(".//ul[starts-with(@aria-label, 'What may answer')]//form")
    assert len(likely) >= 2
    press(client, "/plan", likely[0], "It is:")
    again = page(client, "/plan").xpath(f"//li[@id='wish-{number}']")[0]
    assert "confirmed by" in again.text_content()
    more = again.xpath(".//ul[starts-with(@aria-label, 'What may answer')]//form")
    press(client, "/plan", more[0], "It is not:")
    with reading(catalogue) as session:
        states = [one.state.value for one in session.scalars(select(Answer).order_by(Answer.id))]
        assert states == ["confirmed", "refused"]
    again = page(client, "/plan").xpath(f"//li[@id='wish-{number}']")[0]
    press(client, "/plan", again.xpath(".//ul[starts-with(@aria-label, 'What answers')]//form")[0])
    with reading(catalogue) as session:
        assert [one.state.value for one in session.scalars(select(Answer))] == ["refused"]
    change = form_at(client, f"/plan?change=wish-{number}", f"/plan/wishes/{number}")
    assert dict(change.form_values())["who"] == 'Ada Wren, "Holt, Jan"'
    press(client, "/plan", change, "Save", what="Hands on the winch", who="", dropped="it rained")
    with reading(catalogue) as session:
        wish = session.get_one(WantedShot, int(number))
        assert (wish.what, wish.people, wish.dropped, wish.kind) == (
            *("Hands on the winch", [], "it rained"),
            "insert",
        )
    change = form_at(client, f"/plan?change=wish-{number}", f"/plan/wishes/{number}")
    press(client, "/plan", change, "Remove it")
    with reading(catalogue) as session:
        assert session.scalars(select(WantedShot)).all() == []


def test_any_clip_may_answer_a_wanted_shot_by_its_name(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    new = form_at(client, "/plan", "/plan/wishes")
    press(client, "/plan", new, "Want it", what="What nothing here looks like")
    (item,) = page(client, "/plan").xpath("//li[starts-with(@id, 'wish-')]")
    (form,) = [one for one in item.xpath(".//form") if "named" in one.fields]
    with reading(catalogue) as session:
        clip = session.scalars(select(Clip).order_by(Clip.id.desc())).first()
        assert clip is not None
        name, number = f"{clip.reel.name}/{clip.name}", clip.id
    refused = send(client, form.get("action"), **dict(form.form_values()), named="N9999", state="confirmed")
    assert refused.status_code == 404 and "N9999" in refused.text
    press(client, "/plan", form, "It is", named=name)
    with reading(catalogue) as session:
        (answer,) = session.scalars(select(Answer))
        assert (answer.clip_id, answer.state.value) == (number, "confirmed")


def test_narration_stands_with_the_time_it_takes_to_speak(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    """Words a minute as in tests of the narration; here that what is typed arrives, and its length shows."""
    new = form_at(client, "/plan", "/plan/lines")
    shown = press(
        client, "/plan", new, "Add the line", text="At 5 the ferry leaves.", picture="the quay"
    ).text
    assert "5 words as spoken" in shown and "estimated" in shown and "Over it: the quay" in shown
    with reading(catalogue) as session:
        number = session.scalars(select(NarrationLine.id)).one()
    change = form_at(client, f"/plan?change=line-{number}", f"/plan/lines/{number}")
    shown = press(client, "/plan", change, "Save", recorded="12.4").text
    assert "12.4 s recorded" in shown
    wrong = send(client, f"/plan/lines/{number}", text="x", recorded="soon", production=seeded.slug, tag="*")
    assert wrong.status_code == 422
    change = form_at(client, f"/plan?change=line-{number}", f"/plan/lines/{number}")
    press(client, "/plan", change, "Remove it")
    with reading(catalogue) as session:
        assert session.scalars(select(NarrationLine)).all() == []
