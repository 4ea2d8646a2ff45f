"""Outlines over HTTP and by command: each edit with its version, and the page that shows them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx2
import pytest
from starlette.testclient import TestClient

from shared.db import Sessions, writing
from shared.models import Clip, ClipCue, ClipMedia, ClipTranscript, TranscriptOrigin
from tests.api.catalogue import Seeded
from tests.api.test_api_errors import check_problem
from tests.api.test_api_pages_forms import page, press, send

API = "/api/v1"
JSON = {"Content-Type": "application/json"}


def call(
    client: TestClient, method: str, address: str, tag: str | None = None, /, **body: Any
) -> httpx2.Response:
    headers = JSON | ({"If-Match": tag} if tag else {})
    answer: httpx2.Response = client.request(
        method, f"{API}/{address}", headers=headers, json=None if method == "DELETE" else body
    )
    return answer


def made(client: TestClient, at: str, **body: Any) -> Any:
    answer = call(client, "POST", at, **body)
    assert answer.status_code in (200, 201), answer.text
    return answer.json()


@pytest.fixture
def film(client: TestClient, seeded: Seeded) -> int:
    """An outline with a scene, a title and a quote of the interview."""
    number: int = made(client, "outlines", name="The film", target_seconds=10)["id"]
    made(client, f"outlines/{number}/items", kind="scene", parts=[{"clip": seeded.clips[0]}])
    made(client, f"outlines/{number}/items", kind="title", name="1932", seconds=2.5)
    ranges = [{"clip": seeded.clips[2], "in": 0, "out": 40, "speaker": "Ada Wren"}]
    made(client, f"outlines/{number}/items", kind="quote", parts=ranges, note="softly")
    return number


def order(client: TestClient, film: int) -> list[str]:
    return [one["kind"] for one in client.get(f"{API}/outlines/{film}").json()["items"]]


def test_an_outline_is_read_with_its_running_time(client: TestClient, seeded: Seeded, film: int) -> None:
    answer = client.get(f"{API}/outlines/{film}")
    whole = answer.json()
    assert (whole["running_time"]["frames"], whole["running_time"]["set_frames"]) == (275 + 63 + 40, 63)
    assert [(one["number"], one["kind"], one["starts_at"], one["length_is"]) for one in whole["items"]] == [
        (1, "scene", "00:00:00:00", "recorded"),
        (2, "title", "00:00:11:00", "set"),
        (3, "quote", "00:00:13:13", "recorded"),
    ]
    assert "a person" in whole["caution"] and whole["jump_cuts"]["joins"] == []
    listed = client.get(f"{API}/outlines").json()["items"]
    assert [(one["name"], one["target_seconds"]) for one in listed] == [("The film", 10)]
    patched = call(client, "PATCH", f"outlines/{film}", answer.headers["etag"], target_seconds=5)
    assert patched.json()["target_seconds"] == 5
    assert patched.json()["notices"][0]["code"] == "too-long"
    late = check_problem(call(client, "PATCH", f"outlines/{film}", answer.headers["etag"], name="x"), 412)
    assert late["current"]["target_seconds"] == 5
    check_problem(call(client, "PATCH", f"outlines/{film}", name="x"), 428)
    check_problem(call(client, "POST", "outlines", name="THE FILM"), 409)
    shape = client.get(f"{API}/outlines/{film}/shape").json()
    assert [one["value"] for one in shape["kinds"]] == ["scene", "title", "quote"]


def test_an_item_is_moved_changed_covered_and_taken_out(
    client: TestClient, seeded: Seeded, film: int
) -> None:
    items = client.get(f"{API}/outlines/{film}").json()["items"]
    at = f"outline-items/{items[2]['id']}"
    tag = client.get(f"{API}/{at}").headers["etag"]
    moved = call(client, "PATCH", at, tag, place=1)
    assert moved.json()["number"] == 1 and order(client, film) == ["quote", "scene", "title"]
    late = check_problem(call(client, "PATCH", at, tag, place=3), 412)
    assert late["current"]["number"] == 1
    tag = moved.headers["etag"]
    stitched = [{"clip": seeded.clips[2], "in": 0, "out": 30}, {"clip": seeded.clips[2], "in": 60, "out": 80}]
    changed = call(client, "PATCH", at, tag, parts=stitched, note=None)
    assert (changed.json()["stitched"], changed.json()["note"], changed.json()["frames"]) == (True, "", 50)
    assert any("nobody checked" in text for text in changed.json()["notices"])
    covered = call(client, "POST", f"{at}/covers", clip=seeded.clips[1], out=25, at=10)
    assert [(one["in"], one["out"], one["at"]) for one in covered.json()["covers"]] == [(0, 25, 10)]
    check_problem(call(client, "POST", f"{at}/check"), 428)
    checked = call(client, "POST", f"{at}/check", covered.headers["etag"])
    assert checked.json()["checked_by"]
    assert not any("nobody checked" in text for text in checked.json()["notices"])
    assert call(client, "DELETE", at, checked.headers["etag"]).status_code == 204
    check_problem(client.get(f"{API}/{at}"), 404)
    number = client.get(f"{API}/changes").json()["items"][0]["id"]
    assert call(client, "POST", f"changes/{number}/undo").is_success
    assert client.get(f"{API}/{at}").json() == checked.json(), "an undo brings it back to its place"


def test_what_is_no_item_is_refused(client: TestClient, seeded: Seeded, film: int) -> None:
    at = f"outlines/{film}/items"
    clip = seeded.clips[0]
    for body in (
        {"kind": "quote"},
        {"kind": "music", "name": "Strings"},
        {"kind": "poem"},
        {"kind": "scene", "parts": [{"clip": clip, "in": 90, "out": 276}]},
        {"kind": "scene", "parts": [{"clip": clip, "in": 50, "out": 50}]},
    ):
        check_problem(call(client, "POST", at, **body), 422)
    check_problem(call(client, "POST", at, kind="scene", parts=[{"clip": 999_999}]), 404)
    check_problem(call(client, "POST", at, kind="narration", line="N9"), 404)
    check_problem(call(client, "POST", at, kind="quote", cues=[999]), 404)
    check_problem(call(client, "POST", "outlines/999/items", kind="title", name="x", seconds=1), 404)


def test_a_version_is_kept_compared_and_returned_to(client: TestClient, film: int) -> None:
    version = made(client, f"outlines/{film}/versions", name="rough")
    assert (version["items"], version["outline"]) == (3, film)
    item = client.get(f"{API}/outlines/{film}").json()["items"][0]
    at = f"outline-items/{item['id']}"
    call(client, "DELETE", at, "*")
    found = client.get(f"{API}/outlines/{film}/compare", params={"earlier": "rough"}).json()
    assert [(one["what"], one["before"]) for one in found["changes"]] == [("removed", 1)]
    assert (found["frames"], found["seconds"]) == (-item["frames"], -item["frames"] / 25)
    back = f"outline-versions/{version['id']}"
    check_problem(call(client, "POST", f"{back}/return"), 428)
    tag = client.get(f"{API}/outlines/{film}").headers["etag"]
    assert len(call(client, "POST", f"{back}/return", tag).json()["items"]) == 3
    assert client.get(f"{API}/{at}").json()["id"] == item["id"]
    check_problem(call(client, "POST", f"outlines/{film}/versions", name="Rough"), 409)
    assert call(client, "DELETE", back, "*").status_code == 204
    assert client.get(f"{API}/outlines/{film}/versions").json()["items"] == []
    tag = client.get(f"{API}/outlines/{film}").headers["etag"]
    assert call(client, "DELETE", f"outlines/{film}", tag).status_code == 204
    check_problem(client.get(f"{API}/outlines/{film}"), 404)


def add_words(catalogue: Sessions, clip: int) -> list[int]:
    """Three cues of an interview, the first two of them one after the other."""
    with writing(catalogue) as session:
        transcript = ClipTranscript(clip_id=clip, origin=TranscriptOrigin.IMPORTED)
        session.add(transcript)
        session.flush()
        cues = [
            ClipCue(
                transcript_id=transcript.id, clip_id=clip, start_frame=first, end_frame=end,
                start_us=first * 40_000, end_us=end * 40_000, text=text, speaker="Ada Wren",
            )
            for text, first, end in (("The river decides,", 0, 30), ("not the timetable.", 30, 60),
                                     ("We <b>wait</b>.", 70, 90))
        ]  # fmt: skip
        session.add_all(cues)
        session.flush()
        return [cue.id for cue in cues]


def test_cues_become_a_quote(client: TestClient, seeded: Seeded, catalogue: Sessions, film: int) -> None:
    first, second, third = add_words(catalogue, seeded.clips[2])
    whole = made(client, f"outlines/{film}/items", kind="quote", cues=[third, first, second])
    assert [(one["in"], one["out"]) for one in whole["parts"]] == [(0, 90)], "they follow one another"
    item = made(client, f"outlines/{film}/items", kind="quote", cues=[third, first], place=1)
    assert [(one["in"], one["out"], one["speaker"]) for one in item["parts"]] == [
        (0, 30, "Ada Wren"), (70, 90, "Ada Wren"),
    ]  # fmt: skip
    assert item["words"] == "The river decides, … We <b>wait</b>."
    assert (item["number"], item["speakers"]) == (1, ["Ada Wren"])


def test_the_page_shows_the_outline(
    client: TestClient, seeded: Seeded, catalogue: Sessions, film: int, tmp_path: Path
) -> None:
    cues = add_words(catalogue, seeded.clips[2])
    made(client, f"outlines/{film}/items", kind="quote", cues=[cues[0], cues[2]])
    made(client, f"outlines/{film}/versions", name="rough")
    address = f"/outline?production={seeded.slug}&outline={film}&clip={seeded.clips[2]}&earlier=rough"
    shown = client.get(address)
    assert shown.status_code == 200
    text = shown.text
    assert "We &lt;b&gt;wait&lt;/b&gt;." in text and "<b>wait" not in text
    for said in ("00:00:17:03", "nobody checked", "<svg", "1932", "rough", "The items are the same"):
        assert said in text, said
    assert 'style="' not in text and "<style" not in text
    assert client.get(f"/outline?production={seeded.slug}").status_code == 200
    assert client.get("/outline?outline=999").status_code == 404


@pytest.fixture
def picture(seeded: Seeded, catalogue: Sessions) -> int:
    """A clip of the seeded ones that is a photograph."""
    with writing(catalogue) as session:
        clip = session.get_one(Clip, seeded.clips[1])
        clip.media, clip.rate_num, clip.rate_den, clip.frames = ClipMedia.IMAGE, None, None, None
        clip.start_frame = None
    return seeded.clips[1]


def test_a_photograph_stands_for_seconds(client: TestClient, film: int, picture: int) -> None:
    at = f"outlines/{film}/items"
    item = made(client, at, kind="scene", parts=[{"clip": picture, "seconds": 4.5}])
    (part,) = item["parts"]
    assert (part["in"], part["out"], part["frames"], item["length_is"]) == (0, 4500, 113, "set")
    usual = made(client, at, kind="scene", parts=[{"clip": picture}])
    assert usual["frames"] == 150, "the threshold still-seconds"
    covered = call(client, "POST", f"outline-items/{usual['id']}/covers", clip=picture, seconds=2, at=10)
    assert [(one["in"], one["out"], one["at"]) for one in covered.json()["covers"]] == [(0, 2000, 10)]
    # What was read can be sent back.
    tag = covered.headers["etag"]
    parts = [{"clip": picture, "in": part["in"], "out": part["out"]}]
    assert call(client, "PATCH", f"outline-items/{usual['id']}", tag, parts=parts).json()["frames"] == 113
    for body in (
        {"kind": "quote", "parts": [{"clip": picture}]},
        {"kind": "scene", "parts": [{"clip": picture, "in": 1, "out": 50}]},
        {"kind": "scene", "parts": [{"clip": picture, "seconds": 0}]},
        {"kind": "scene", "parts": [{"clip": picture - 1, "seconds": 4}]},
    ):
        check_problem(call(client, "POST", at, **body), 422)
    text = page(client, f"/outline?outline={film}").text_content()
    assert "a photograph, for 4.5 s" in text and "frames 0" not in text


def test_a_trim_that_is_no_range_is_refused_and_another_is_undone(
    client: TestClient, seeded: Seeded, catalogue: Sessions, film: int
) -> None:
    """The part that is not trimmed keeps the words with which it was chosen."""
    first, _, third = add_words(catalogue, seeded.clips[2])
    item = made(client, f"outlines/{film}/items", kind="quote", cues=[first, third])["id"]
    with writing(catalogue) as session:
        session.get_one(ClipCue, first).text = "The tide decides,"
    address = f"/outline?outline={film}"

    def part(number: int) -> Any:
        return page(client, address).xpath(f"//*[@id='item-{item}']//form[@class='trim']")[number - 1]

    before = client.get(f"{API}/outline-items/{item}").json()
    for typed, said in (
        ({"in": "90"}, "90 to 90 is no range"),
        ({"out": "10:00:20:00"}, "no range"),
        ({"out": "10:61:00:00"}, "61 minutes"),
        ({"part": "3"}, "no such part"),
    ):
        form = part(2)
        refused = send(client, form.get("action"), **{**dict(form.form_values()), **typed})
        assert refused.status_code == 422 and said in refused.text, typed
    assert client.get(f"{API}/outline-items/{item}").json() == before
    stale = part(2)
    press(client, "/outline", part(2), "Out −1")
    press(client, "/outline", part(2), "In +1")
    trimmed = client.get(f"{API}/outline-items/{item}").json()
    assert [(one["in"], one["out"]) for one in trimmed["parts"]] == [(0, 30), (71, 89)]
    assert trimmed["frames"] == before["frames"] - 2
    assert trimmed["parts"][0] == before["parts"][0], "its words are what they were, and are now others"
    assert send(client, stale.get("action"), **dict(stale.form_values())).status_code == 412
    numbers = [one["id"] for one in client.get(f"{API}/changes").json()["items"][:2]]
    for number in numbers:
        assert call(client, "POST", f"changes/{number}/undo").is_success
    assert client.get(f"{API}/outline-items/{item}").json() == before


def test_a_production_without_an_outline_has_a_page(client: TestClient, seeded: Seeded) -> None:
    assert "no outline yet" in client.get(f"/outline?production={seeded.slug}").text
