"""Edits of many clips, the journal and moments over HTTP."""

from __future__ import annotations

import threading
from typing import Any

import httpx2
from starlette.testclient import TestClient

from shared.db import Sessions
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of
from tests.api.test_api_errors import check_problem

EDITS = "/api/v1/changes"


def total(client: TestClient, query: str) -> int:
    found: int = client.get("/api/v1/clips", params={"q": query}).json()["total"]
    return found


def edit(client: TestClient, **body: Any) -> httpx2.Response:
    answer: httpx2.Response = client.post(EDITS, json=body)
    return answer


def test_a_preview_counts_and_changes_nothing(client: TestClient, seeded: Seeded) -> None:
    count = total(client, "day:1")
    answer = edit(client, query="day:1", set={"size": "cu"}, preview=True)
    assert answer.status_code == 200
    assert answer.json()["count"] == count == total(client, "day:1 -size:cu") + total(client, "day:1 size:cu")
    assert answer.json()["change"] is None
    assert {"id", "reel", "name"} == set(answer.json()["first"][0])
    assert client.get(EDITS).json()["items"] == []


def test_many_clips_are_edited_at_once_and_taken_back(client: TestClient, seeded: Seeded) -> None:
    count, closeups = total(client, "day:1"), total(client, "size:cu")
    made = edit(client, query="day:1", set={"size": "cu", "tags": ["tide"]}, expect=count)
    assert made.status_code == 201 and made.json()["count"] == count
    assert total(client, "day:1 size:cu tag:tide") == count
    number = made.json()["change"]
    (listed,) = client.get(EDITS).json()["items"]
    assert (listed["id"], listed["author"], listed["summary"]) == (number, "api", "day:1")
    whole = client.get(f"{EDITS}/{number}").json()
    assert all(
        one["after"]["tags" if "tags" in one["after"] else "tag"] == ["tide"] for one in whole["changes"]
    )
    undone = client.post(f"{EDITS}/{number}/undo", json={})
    assert undone.status_code == 201 and undone.json()["undoes"] == number
    assert total(client, "size:cu") == closeups and total(client, "tag:tide") == 0
    check_problem(client.post(f"{EDITS}/{number}/undo", json={}), 409)
    assert [one["id"] for one in client.get(EDITS).json()["items"]] == [undone.json()["id"], number]
    page = client.get(EDITS, params={"limit": 1}).json()
    assert [one["id"] for one in client.get(page["next"]).json()["items"]] == [number]


def test_another_number_of_clips_than_expected_is_refused(client: TestClient, seeded: Seeded) -> None:
    count = total(client, "day:1")
    problem = check_problem(edit(client, query="day:1", set={"size": "cu"}, expect=count + 1), 409)
    assert str(count) in problem["detail"]
    assert client.get(EDITS).json()["items"] == []
    check_problem(edit(client, query="day:1", set={}), 422)
    check_problem(edit(client, query="nothing:1", set={"size": "cu"}), 422)
    check_problem(client.get(f"{EDITS}/77"), 404)
    check_problem(client.post(f"{EDITS}/77/undo", json={}), 404)


def test_an_edit_of_one_clip_is_in_the_journal_and_can_be_taken_back(
    client: TestClient, seeded: Seeded
) -> None:
    clip = seeded.clips[0]
    before = client.get(f"/api/v1/clips/{clip}/log").json()
    client.patch(f"/api/v1/clips/{clip}/log", json={"note": "heron"}, headers={"If-Match": '"1"'})
    (made,) = client.get(EDITS).json()["items"]
    answer = client.post(f"{EDITS}/{made['id']}/undo", json={})
    assert answer.status_code == 201, answer.text
    after = client.get(f"/api/v1/clips/{clip}/log").json()
    stamps = ("version", "updated_at", "updated_by")
    assert {k: v for k, v in after.items() if k not in stamps} == {
        k: v for k, v in before.items() if k not in stamps
    }


def test_moments_are_made_changed_with_a_condition_and_removed(client: TestClient, seeded: Seeded) -> None:
    clip = seeded.clips[0]
    made = client.post(
        f"/api/v1/clips/{clip}/moments",
        json={"in": 2, "out": 9, "name": "wake", "log": {"note": "heron lands"}},
    )
    assert made.status_code == 201, made.text
    address = f"/api/v1/moments/{made.json()['id']}"
    assert (made.json()["in"], made.json()["out"], made.json()["log"]["note"]) == (2, 9, "heron lands")
    assert total(client, "heron") == 1
    check_problem(client.patch(address, json={"out": 8}), 428)
    check_problem(client.patch(address, json={"out": 8}, headers={"If-Match": '"x"'}), 412)
    tag = client.get(address).headers["etag"]
    changed = client.patch(address, json={"out": 8, "log": {"note": None}}, headers={"If-Match": tag})
    assert (changed.status_code, changed.json()["out"], changed.json()["log"]["note"]) == (200, 8, "")
    check_problem(client.patch(address, json={"out": 7}, headers={"If-Match": tag}), 412)
    as_json = {"Content-Type": "application/json"}
    check_problem(client.delete(address, headers=as_json), 428)
    gone = client.delete(address, headers={"If-Match": changed.headers["etag"], **as_json})
    assert gone.status_code == 204
    check_problem(client.get(address), 404)
    newest = client.get(EDITS).json()["items"][0]["id"]
    client.post(f"{EDITS}/{newest}/undo", json={})
    assert client.get(address).json()["out"] == 8
    assert len(client.get(f"/api/v1/clips/{clip}/moments").json()["items"]) == 1
    check_problem(client.post(f"/api/v1/clips/{clip}/moments", json={"in": 9, "out": 9}), 422)
    check_problem(client.post("/api/v1/clips/9999/moments", json={"in": 0, "out": 9}), 404)


def test_eight_writers_lose_no_edit(settings: Settings, catalogue: Sessions, seeded: Seeded) -> None:
    """Each adds its own line to one note, over and over, as a careful client does: read, edit, send, and
    again from the start when somebody was faster."""
    clip, writers, rounds = seeded.clips[0], 8, 3
    address = f"/api/v1/clips/{clip}/log"
    refused = []
    with client_of(settings, catalogue) as client:

        def write(number: int) -> None:
            for turn in range(rounds):
                while True:
                    read = client.get(address)
                    note = f"{read.json()['note']} w{number}t{turn}"
                    answer = client.patch(
                        address, json={"note": note}, headers={"If-Match": read.headers["etag"]}
                    )
                    if answer.status_code == 200:
                        break
                    assert answer.status_code == 412, answer.text
                    refused.append(number)

        threads = [threading.Thread(target=write, args=(number,)) for number in range(writers)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        words = client.get(address).json()["note"].split()
        journal = client.get(EDITS, params={"limit": 500}).json()["items"]
    wanted = {f"w{number}t{turn}" for number in range(writers) for turn in range(rounds)}
    assert wanted <= set(words) and len([w for w in words if w in wanted]) == len(wanted)
    assert len(journal) == writers * rounds
