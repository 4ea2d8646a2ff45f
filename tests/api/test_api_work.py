"""Requests to the worker: what may be asked for, and what the worker then reads."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import httpx2
import pytest
from starlette.testclient import TestClient

from ingest.worker import offload_order
from shared.catalogue.requests import claim_next, fail, find_request, finish, heartbeat
from shared.db import Sessions, reading, writing
from shared.models import now
from shared.settings import Settings
from tests.api.catalogue import Seeded
from tests.api.test_api_errors import check_problem


@pytest.fixture
def card(settings: Settings) -> Path:
    card = settings.watch_folders[0] / "CARD_A"
    card.mkdir()
    return card


def folders(client: TestClient) -> dict[str, str]:
    return {one["name"]: one["id"] for one in client.get("/api/v1/card-folders").json()["items"]}


def ask(client: TestClient, **body: Any) -> httpx2.Response:
    answer: httpx2.Response = client.post("/api/v1/offloads", json=body)
    return answer


def test_card_folders_are_those_that_are_there_now(client: TestClient, settings: Settings) -> None:
    watched = settings.watch_folders[0]
    assert folders(client) == {}
    (watched / "CARD_A").mkdir()
    (watched / ".hidden").mkdir()
    (watched / "a file").write_text("x")
    (watched / "link").symlink_to("/")
    (watched / os.fsdecode(b"caf\xe9\n")).mkdir()
    found = client.get("/api/v1/card-folders").json()["items"]
    assert {one["name"] for one in found} == {"CARD_A", "caf\\xe9\\u000a"}
    assert str(watched) not in str(found), "no path is told"
    (watched / "CARD_A").rmdir()
    assert list(folders(client)) == ["caf\\xe9\\u000a"]


def test_destinations_are_told_by_name_alone(client: TestClient, settings: Settings) -> None:
    answer = client.get("/api/v1/destinations")
    assert [one["name"] for one in answer.json()["items"]] == ["North", "South"]
    assert str(settings.destinations["North"]) not in answer.text


def test_an_offload_is_filed_and_the_worker_understands_it(
    client: TestClient, seeded: Seeded, settings: Settings, catalogue: Sessions, card: Path
) -> None:
    answer = ask(
        client, card=folders(client)["CARD_A"], to=["North", "South"], camera="A", reel="A009", day=2
    )
    assert answer.status_code == 202
    request = answer.json()
    assert (request["kind"], request["state"]) == ("offload", "queued")
    assert request["order"]["card_name"] == "CARD_A"
    assert str(card) not in answer.text, "the caller is told ids and names"
    assert client.get(answer.headers["location"]).json() == request

    with reading(catalogue) as session:
        filed = find_request(session, request["id"]).order
    order = offload_order(settings, filed)
    assert order.card == card
    assert order.to == (settings.destinations["North"], settings.destinations["South"])
    assert (order.production, order.camera, order.reel, order.day) == (seeded.slug, "A", "A009", 2)


def test_a_card_with_a_strange_name_is_understood_too(
    client: TestClient, seeded: Seeded, settings: Settings, catalogue: Sessions
) -> None:
    strange = settings.watch_folders[0] / os.fsdecode(b"caf\xe9 \xf0\x9f\x8e\xac")
    strange.mkdir()
    (folder,) = client.get("/api/v1/card-folders").json()["items"]
    request = ask(client, card=folder["id"], to=["North"]).json()
    assert request["order"]["card"] == folder["id"]
    with reading(catalogue) as session:
        order = offload_order(settings, find_request(session, request["id"]).order)
    assert order.card == strange


@pytest.mark.parametrize("card", ["/media/CARD_A", "../CARD_A", "CARD_A", "0" * 16, "/", ""])
def test_a_path_or_an_unknown_id_names_no_card(
    client: TestClient, seeded: Seeded, card: str, settings: Settings
) -> None:
    (settings.watch_folders[0] / "CARD_A").mkdir()
    status = 422 if card == "" else 404
    check_problem(ask(client, card=card, to=["North"]), status)
    assert client.get("/api/v1/requests").json()["items"] == []


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"to": ["/mnt/elsewhere"]}, 404),
        ({"to": ["West"]}, 404),
        ({"to": []}, 422),
        ({"to": ["North", "North"]}, 422),
        ({"day": 9}, 404),
        ({"day": 0}, 422),
        ({"production": "nope"}, 404),
        ({"path": "/etc"}, 422),
        ({"card": None}, 422),
    ],
)
def test_an_order_that_can_not_be_carried_out_is_not_filed(
    client: TestClient, seeded: Seeded, card: Path, change: dict[str, Any], status: int
) -> None:
    body = {"card": folders(client)["CARD_A"], "to": ["North", "South"]} | change
    assert check_problem(ask(client, **body), status)["remedy"]
    assert client.get("/api/v1/requests").json()["items"] == []


def test_a_card_is_asked_for_once_at_a_time(
    client: TestClient, seeded: Seeded, catalogue: Sessions, card: Path
) -> None:
    body = {"card": folders(client)["CARD_A"], "to": ["North"]}
    first = ask(client, **body).json()["id"]
    problem = check_problem(ask(client, **body), 409)
    assert f"request {first}" in problem["detail"]
    with writing(catalogue) as session:
        claim_next(session, "w", stale_before=now())
        fail(session, first, "the card is gone — Put it in again.")
    assert ask(client, **body).status_code == 202, "the first one is over"


def test_a_request_is_followed_to_its_end(
    client: TestClient, seeded: Seeded, catalogue: Sessions, card: Path
) -> None:
    id = ask(client, card=folders(client)["CARD_A"], to=["North"]).json()["id"]
    with writing(catalogue) as session:
        claim_next(session, "w", stale_before=now())
        heartbeat(session, id, {"step": "copying", "read": 12})
    running = client.get(f"/api/v1/requests/{id}").json()
    assert running["state"] == "running" and running["progress"]["read"] == 12
    with writing(catalogue) as session:
        finish(session, id, {"reel": "A009", "files": [{"path": "half \udc80 a name"}]})
    done = client.get(f"/api/v1/requests/{id}").json()
    assert done["state"] == "done" and done["result"]["reel"] == "A009"
    assert done["result"]["files"] == [{"path": "half \\x80 a name"}]


def test_requests_are_filtered_and_paged(client: TestClient, seeded: Seeded, catalogue: Sessions) -> None:
    ids = [client.post("/api/v1/handovers", json={}).json()["id"] for _ in range(3)]
    with writing(catalogue) as session:
        claim_next(session, "w", stale_before=now())
    running = client.get("/api/v1/requests", params={"state": "running"}).json()["items"]
    assert [one["id"] for one in running] == ids[:1]
    assert client.get("/api/v1/requests", params={"kind": "offload"}).json()["items"] == []
    page = client.get("/api/v1/requests", params={"limit": 2, "kind": "handover"}).json()
    rest = client.get(page["next"]).json()
    assert [one["id"] for one in page["items"] + rest["items"]] == ids[::-1]
    assert rest["next"] is None
    check_problem(client.get("/api/v1/requests/99"), 404)
    check_problem(client.get("/api/v1/requests?state=lost"), 422)


def test_a_hand_over_is_filed(client: TestClient, seeded: Seeded, catalogue: Sessions) -> None:
    answer = client.post("/api/v1/handovers", json={"query": "kind:interview"})
    assert answer.status_code == 202
    request = answer.json()
    assert request["order"] == {"query": "kind:interview", "production": seeded.slug}
    assert [one["id"] for one in client.get("/api/v1/handovers").json()["items"]] == [request["id"]]


def test_a_hand_over_may_leave_words_out(client: TestClient, seeded: Seeded) -> None:
    body = {"leave_out": ["contacts", "minors"]}
    answer = client.post("/api/v1/handovers", json=body)
    assert answer.status_code == 202 and answer.json()["order"]["leave_out"] == ["contacts", "minors"]
    assert client.post("/api/v1/handovers", json={"leave_out": ["stills"]}).status_code == 422


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"query": "kindd:x"}, 422),
        ({"query": "nothingofthekind"}, 422),
        ({"production": "nope"}, 404),
        ({"to": "/tmp"}, 422),
        ({"query": "x" * 4001}, 422),
    ],
)
def test_a_hand_over_of_nothing_is_not_filed(
    client: TestClient, seeded: Seeded, body: dict[str, Any], status: int
) -> None:
    check_problem(client.post("/api/v1/handovers", json=body), status)
    assert client.get("/api/v1/handovers").json()["items"] == []


def test_offloads_are_listed_with_their_report(client: TestClient, seeded: Seeded) -> None:
    listed = client.get("/api/v1/offloads", params={"limit": 2}).json()
    assert [one["id"] for one in listed["items"]] == [seeded.offload, seeded.offload - 1]
    assert "report" not in listed["items"][0]
    one = client.get(f"/api/v1/offloads/{seeded.offload}").json()
    assert (one["reel"], one["production"], one["state"]) == ("A001", seeded.slug, "done")
    assert one["report"]["verdict"] == {
        "may_be_formatted": False,
        "reasons": ["4 files on one drive: C0001.MOV and 3 more"],
    }
    check_problem(client.get("/api/v1/offloads/99"), 404)
