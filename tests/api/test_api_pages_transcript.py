"""The page of a transcript without script: its forms, and what they write; all of it as text."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from shared.catalogue.transcripts import cues_of
from shared.db import Sessions, reading, writing
from tests.api.catalogue import Seeded
from tests.api.test_api_pages_forms import page, parse, press, send

TALK = "WEBVTT\n\n00:01.000 --> 00:02.000\n<v NELL>The chane &lt;i&gt;\n\n"
TALK += "00:02.000 --> 00:03.000\n<v NELL>holds.\n"


@pytest.fixture
def at(client: TestClient, seeded: Seeded) -> str:
    """The address of the page of a clip with a transcript."""
    clip = seeded.clips[0]
    answer = client.put(f"/api/v1/clips/{clip}/transcript", json={"text": TALK})
    assert answer.status_code == 201
    return f"/clips/{clip}/transcript"


def said(catalogue: Sessions, at: str) -> list[tuple[str, str]]:
    with reading(catalogue) as session:
        cues = cues_of(session, int(at.split("/")[2]))
        return [(cue.text, cue.person.name if cue.person is not None else "") for cue in cues]


def test_forms_correct_name_and_join(client: TestClient, catalogue: Sessions, at: str) -> None:
    found = page(client, at)
    first = found.xpath("//*[@id='cues']//form")[0]
    assert first.xpath(".//textarea")[0].text == "The chane <i>"
    press(client, at, first, "Save", text="The chain <i>", person="")
    assert said(catalogue, at) == [("The chain <i>", ""), ("holds.", "")]
    press(
        client, at, page(client, at).xpath("//*[@id='speakers']//form")[0], "Name everywhere", person="Nell"
    )
    assert said(catalogue, at) == [("The chain <i>", "Nell"), ("holds.", "Nell")]
    press(client, at, page(client, at).xpath("//*[@id='cues']//form")[0], "Join")
    assert said(catalogue, at) == [("The chain <i> holds.", "Nell")]
    # The form that was read at first is of a version that is gone.
    refused = send(client, first.get("action"), **{**dict(first.form_values()), "text": "late"})
    assert refused.status_code == 412 and "Somebody else" in refused.text
    assert said(catalogue, at) == [("The chain <i> holds.", "Nell")]


def test_forms_part_a_cue_move_it_and_take_that_back(
    client: TestClient, catalogue: Sessions, at: str
) -> None:
    def places() -> list[tuple[int, int, str]]:
        with reading(catalogue) as session:
            cues = cues_of(session, int(at.split("/")[2]))
            return [(cue.start_frame, cue.end_frame, cue.text) for cue in cues]

    def form() -> Any:
        return page(client, at).xpath("//*[@id='cues']//form")[0]

    assert [form().fields[name] for name in ("begins", "ends")] == ["10:00:01:00", "10:00:02:00"]
    press(client, at, form(), "Save", begins="10:00:00:20", ends="49")
    done = press(client, at, form(), "Part at", text="The chain <i>", words="2")
    assert places() == [(20, 41, "The chain"), (41, 49, "<i>"), (50, 75, "holds.")], "8 of 11 characters"
    (undo,) = parse(done.text).xpath("//*[@id='done']/form")
    assert "part cue" in undo.text_content() and "<i>" not in undo.text_content()
    press(client, at, undo, "Undo")
    assert places() == [(20, 49, "The chane <i>"), (50, 75, "holds.")], "the correction is of the same edit"
    for typed, said in (
        ({"ends": "0"}, "no range of the clip"),
        ({"begins": "10:00:60:00"}, "60 seconds"),
        ({"act": "part"}, "put the cursor between two words"),
        ({"act": "begin"}, "nothing plays"),
        ({"act": "part", "cursor": "3", "text": ""}, "needs words"),
    ):
        refused = send(client, form().get("action"), **{**dict(form().form_values()), **typed})
        assert refused.status_code == 422 and said in refused.text.lower(), typed
    assert places() == [(20, 49, "The chane <i>"), (50, 75, "holds.")]


def test_what_a_program_was_unsure_of_is_marked_until_it_is_corrected(
    client: TestClient, catalogue: Sessions, at: str
) -> None:
    assert page(client, at).xpath("//*[@class='quiet unsure']") == []
    with writing(catalogue) as session:
        cue = cues_of(session, int(at.split("/")[2]))[0]
        cue.confidence_mean, cue.confidence_least = 0.31, 0.02
    shown = client.get(f"/api/v1/cues/{cue.id}").json()
    assert shown["unsure"] and shown["confidence"] == {"mean": 0.31, "least": 0.02}
    found = page(client, at)
    (mark,) = found.xpath("//*[@class='quiet unsure']")
    assert mark.text.startswith("unsure")
    assert found.xpath(f"//textarea[@aria-describedby='{mark.get('id')}']")[0].text == "The chane <i>"
    press(client, at, found.xpath("//*[@id='cues']//form")[0], "Save", text="The chain <i>", person="")
    assert page(client, at).xpath("//*[@class='quiet unsure']") == []
    shown = client.get(f"/api/v1/cues/{cue.id}").json()
    assert not shown["unsure"] and shown["confidence"] is None


def test_what_is_found_leads_to_its_place(client: TestClient, at: str) -> None:
    for view in ("stills", "table"):
        (link,) = page(client, f"/find?q=says:hold&view={view}").xpath("//a[@class='heard']")
        cue = page(client, at).xpath("//*[@id='cues']/li")[1].get("id")
        assert link.get("href") == f"{at}#{cue}"
        assert [one.text for one in link.xpath(".//mark")] == ["holds"]
        assert "chane <i>" in link.text_content()


def test_a_clip_without_words_says_how_to_add_them(client: TestClient, seeded: Seeded) -> None:
    clip = seeded.clips[1]
    found = page(client, f"/clips/{clip}/transcript")
    assert f'rushlight transcript add FILE --clip "#{clip}"' in found.text_content()
    assert found.xpath("//script") == []
    assert page(client, f"/clips/{clip}").xpath(f"//a[@href='/clips/{clip}/transcript']")
    assert client.get("/clips/999/transcript", headers={"Accept": "text/html"}).status_code == 404
