"""Transcripts by the API: sent, read in each form, corrected with ETags, and taken back.

RFC 9110 for conditions and negotiation; `text/vtt` is the media type that the W3C's WebVTT registers.
"""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from tests.api.catalogue import Seeded
from tests.api.test_api_errors import check_problem

TALK = "WEBVTT\n\n00:01.000 --> 00:02.000\n<v NELL>The chane holds &amp; holds.\n\n00:02.000 --> 00:03.000\n"
TALK += "<v NELL>&lt;script&gt;\n"

AS_JSON = {"Content-Type": "application/json"}


@pytest.fixture
def at(seeded: Seeded) -> str:
    return f"/api/v1/clips/{seeded.clips[0]}/transcript"


def put(client: TestClient, at: str, text: str = TALK, expect: int = 201, **body: Any) -> Any:
    tag = body.pop("tag", None)
    headers = {"If-Match": tag} if tag else {}
    answer = client.put(at, json={"text": text, "file_name": "C0001.vtt", **body}, headers=headers)
    assert answer.status_code == expect, answer.text
    return answer.json()


def test_a_transcript_goes_in_and_comes_out_in_each_form(client: TestClient, at: str) -> None:
    check_problem(client.get(at), 404)
    assert put(client, at, preview=True, expect=200)["change"] is None
    check_problem(client.get(at), 404)
    made = put(client, at)
    assert (made["state"], made["cues"], made["speakers"]) == ("new", 2, ["NELL"])
    assert put(client, at, expect=200)["state"] == "same"
    found = client.get(at).json()
    assert [cue["start"] for cue in found["cues"]] == [25, 50]
    assert found["parts"][0]["origin"] == "imported" and found["parts"][0]["file_hash"].startswith("sha256:")
    for accept, suffix, kind, begins in (
        (
            "text/vtt",
            "vtt",
            "text/vtt; charset=utf-8",
            "WEBVTT\n\n00:00:01.000 --> 00:00:02.000\n<v NELL>The",
        ),
        ("application/x-subrip", "srt", "application/x-subrip; charset=utf-8", "1\n00:00:01,000 --> "),
        ("text/plain", "txt", "text/plain; charset=utf-8", "00:00:01.000 NELL: The chane"),
    ):
        by_accept, by_suffix = client.get(at, headers={"Accept": accept}), client.get(f"{at}.{suffix}")
        assert by_accept.text == by_suffix.text and by_accept.text.startswith(begins)
        assert by_accept.headers["content-type"] == by_suffix.headers["content-type"] == kind
    assert "&lt;script&gt;" in client.get(f"{at}.vtt").text
    either = {"Accept": "text/vtt;q=0.5, application/json"}
    assert client.get(at, headers=either).headers["content-type"] == "application/json"
    check_problem(client.get(f"{at}.pdf"), 422)


def test_another_one_needs_the_word_and_the_tag(client: TestClient, at: str) -> None:
    put(client, at)
    other = TALK.replace("holds", "sinks")
    problem = check_problem(client.put(at, json={"text": other}), 409)
    assert "2 cues, 0 corrected by a person" in problem["detail"]
    assert put(client, at, other, preview=True, expect=200)["standing"][0]["cues"] == 2
    put(client, at, other, replace=True, expect=428)
    put(client, at, other, replace=True, tag='"old"', expect=412)
    tag = client.get(at).headers["ETag"]
    change = put(client, at, other, replace=True, tag=tag)["change"]
    assert client.post(f"/api/v1/changes/{change}/undo", headers=AS_JSON).status_code == 201
    assert client.get(at).headers["ETag"] == tag


def test_cues_are_corrected_parted_joined_and_named(client: TestClient, at: str) -> None:
    put(client, at)
    first, second = client.get(at).json()["cues"]
    cue = f"/api/v1/cues/{first['id']}"
    tag = client.get(cue).headers["ETag"]
    check_problem(client.patch(cue, json={"text": "The chain holds."}), 428)
    done = client.patch(cue, json={"text": "The chain holds."}, headers={"If-Match": tag})
    assert (done.json()["text"], done.json()["corrected"]) == ("The chain holds.", True)
    stale = check_problem(client.patch(cue, json={"text": "x"}, headers={"If-Match": tag}), 412)
    assert stale["current"]["text"] == "The chain holds."
    tag = done.headers["ETag"]
    named = client.patch(cue, json={"person": "Nell", "everywhere": True}, headers={"If-Match": tag})
    assert client.get(f"/api/v1/cues/{second['id']}").json()["person"] == "Nell"
    moved = client.patch(cue, json={"start": 20}, headers={"If-Match": named.headers["ETag"]})
    assert (moved.json()["start"], moved.json()["end"]) == (20, 50)
    parts = client.post(f"{cue}/split", json={"words": 2}, headers={"If-Match": "*"}).json()["items"]
    assert [one["text"] for one in parts] == ["The chain", "holds."]
    joined = client.post(f"{cue}/join", headers=AS_JSON | {"If-Match": "*"})
    assert joined.json()["text"] == "The chain holds."
    parts = client.post(f"{cue}/split", json={"frame": 49}, headers={"If-Match": "*"}).json()["items"]
    assert [one["text"] for one in parts] == ["The chain", "holds."]
    assert client.post(f"{cue}/join", headers=AS_JSON | {"If-Match": "*"}).is_success
    for body in ({}, {"words": 3}, {"words": 1, "frame": 9999}, {"frame": 9999}):
        check_problem(client.post(f"{cue}/split", json=body, headers={"If-Match": "*"}), 422)
    check_problem(client.patch(cue, json={"everywhere": True}, headers={"If-Match": "*"}), 422)
    check_problem(client.get("/api/v1/cues/999"), 404)


def test_words_are_found_with_their_place_and_removed(client: TestClient, seeded: Seeded, at: str) -> None:
    put(client, at)
    answer = client.get("/api/v1/clips", params={"q": "says:chane", "excerpts": True}).json()
    (clip,) = answer["items"]
    (excerpt,) = clip["excerpts"]
    assert (clip["id"], excerpt["field"], excerpt["frame"]) == (seeded.clips[0], "says", 25)
    assert client.get("/api/v1/clips/facets", params={"q": "has:transcript"}).json()["total"] == 1
    check_problem(client.delete(at, headers=AS_JSON), 428)
    assert client.delete(at, headers=AS_JSON | {"If-Match": "*"}).status_code == 204
    check_problem(client.delete(at, headers=AS_JSON | {"If-Match": "*"}), 404)
    assert client.get("/api/v1/clips", params={"q": "says:chane"}).json()["total"] == 0
    assert client.get("/api/v1/clips/facets", params={"q": "has:transcript"}).json()["total"] == 0


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"text": "no words with times"}, "no transcript that can be read"),
        ({"text": "WEBVTT\n\n02:00.000 --> 02:01.000\nLate\n"}, "words begin"),
        ({"text": TALK, "part": 7}, "no part 7"),
    ],
)
def test_what_is_no_transcript_of_the_clip_is_refused(
    client: TestClient, at: str, body: dict[str, Any], says: str
) -> None:
    assert says in check_problem(client.put(at, json=body), 422)["detail"]
