"""Channels and matches of sound over HTTP."""

from __future__ import annotations

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from shared.catalogue.pairs import store_pair
from shared.db import Sessions, writing
from shared.models import Clip, ClipMedia, SyncMethod, SyncState
from tests import factories as make
from tests.api.catalogue import Seeded
from tests.api.test_api_errors import check_problem


@pytest.fixture
def pair(catalogue: Sessions, seeded: Seeded) -> tuple[int, int]:
    """A picture and a sound recording that match, and nobody has confirmed it."""
    with writing(catalogue) as session:
        picture = session.scalars(select(Clip).where(Clip.media == ClipMedia.VIDEO).order_by(Clip.id)).first()
        assert picture is not None
        sound = make.make_clip(session, picture.reel, "S001T01.WAV", media=ClipMedia.AUDIO)
        make.make_facts(session, sound.files[0].file, audio_channels=2, more={})
        store_pair(
            session,
            picture.id,
            sound.id,
            overlap_ms=9000,
            rate=48_000,
            offset_samples=-72_000,
            drift_ppb=None,
            confidence=0.9,
            method=SyncMethod.SOUND,
            state=SyncState.SUGGESTED,
        )
        return picture.id, sound.id


def test_a_channel_is_said_and_not_written_over(client: TestClient, pair: tuple[int, int]) -> None:
    address = f"/api/v1/clips/{pair[1]}/channels"
    read = client.get(address)
    assert [(one["channel"], one["source"]) for one in read.json()["items"]] == [(1, "file"), (2, "file")]
    body = {"microphone": "lav", "person": "Ada Wren"}
    check_problem(client.put(f"{address}/1", json=body), 428)
    said = client.put(f"{address}/1", json=body, headers={"If-Match": read.headers["ETag"]})
    assert said.status_code == 200
    first = said.json()["items"][0]
    assert (first["person"], first["kind"], first["source"]) == ("Ada Wren", "lav", "log")
    late = client.put(f"{address}/1", json={"person": "Nell"}, headers={"If-Match": read.headers["ETag"]})
    problem = check_problem(late, 412)
    assert problem["current"] == said.json() and late.headers["ETag"] == said.headers["ETag"]
    again = client.put(f"{address}/1", json={"person": "Nell"}, headers={"If-Match": late.headers["ETag"]})
    assert again.json()["items"][0]["person"] == "Nell"
    edits = client.get("/api/v1/changes").json()["items"]
    assert client.post(f"/api/v1/changes/{edits[0]['id']}/undo", json={}).status_code == 201
    assert client.get(address).json()["items"][0]["person"] == "Ada Wren"
    check_problem(client.put(f"{address}/3", json=body, headers={"If-Match": "*"}), 422)  # there are two
    check_problem(client.get("/api/v1/clips/9999/channels"), 404)


def test_a_match_is_listed_from_both_sides_and_confirmed(client: TestClient, pair: tuple[int, int]) -> None:
    picture, sound = pair
    (seen,) = client.get(f"/api/v1/clips/{picture}/pairs").json()["items"]
    assert (seen["offset"], seen["offset_samples"], seen["state"]) == ("-00:00:01.500", -72_000, "suggested")
    confirmed = client.post(f"/api/v1/clips/{picture}/pairs/{sound}/confirm", json={})
    assert confirmed.json()["state"] == "confirmed"
    assert client.get(f"/api/v1/clips/{sound}/pairs").json()["items"] == [confirmed.json()]
    check_problem(client.post(f"/api/v1/clips/{sound}/pairs/{picture}/confirm", json={}), 404)
    assert client.get(f"/api/v1/clips/{sound + 1000}/pairs").status_code == 404
