"""The log entry over HTTP: merge patches, and nobody's edit written over unseen."""

from __future__ import annotations

import threading
from typing import Any

import httpx2
import pytest
from starlette.testclient import TestClient

from shared.db import Sessions, writing
from shared.models import ProductionTerm
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of
from tests.api.test_api_errors import check_problem


def patch(client: TestClient, clip: int, body: dict[str, Any], tag: str | None) -> httpx2.Response:
    headers = {"Content-Type": "application/merge-patch+json"}
    if tag is not None:
        headers["If-Match"] = tag
    answer: httpx2.Response = client.patch(f"/api/v1/clips/{clip}/log", json=body, headers=headers)
    return answer


def test_what_is_named_changes_and_the_rest_stays(client: TestClient, seeded: Seeded) -> None:
    clip = seeded.clips[0]
    read = client.get(f"/api/v1/clips/{clip}/log")
    assert read.headers["etag"] == '"1"'
    body = {"rating": "keep", "note": None, "place": "the quay", "people": ["Ada  Wren", "Nell Marsh"]}
    changed = patch(client, clip, body, '"1"')
    assert changed.status_code == 200 and changed.headers["etag"] == '"2"'
    expected = read.json() | {
        "version": 2,
        "rating": "good",  # an alias finds the term
        "note": "",
        "place": "the quay",
        "people": ["Ada Wren", "Nell Marsh"],
        "updated_at": changed.json()["updated_at"],
        "updated_by": "api",
    }
    assert changed.json() == expected == client.get(f"/api/v1/clips/{clip}/log").json()
    assert client.get("/api/v1/clips", params={"q": 'person:"Nell Marsh"'}).json()["total"] == 1
    assert client.get("/api/v1/clips", params={"q": "mist"}).json()["total"] == 1, "day 2's note is left"


def test_a_list_replaces_the_list(client: TestClient, seeded: Seeded) -> None:
    clip = seeded.clips[0]
    assert patch(client, clip, {"tags": ["dawn", "dawn", " mist "]}, '"1"').json()["tags"] == ["dawn", "mist"]
    assert patch(client, clip, {"tags": []}, '"2"').json()["tags"] == []


def test_a_day_set_by_hand_stays_and_is_given_back(client: TestClient, seeded: Seeded) -> None:
    clip = seeded.clips[0]

    def day() -> int:
        found: int = client.get(f"/api/v1/clips/{clip}").json()["day"]
        return found

    assert day() == 1
    assert patch(client, clip, {"day": 2}, '"1"').status_code == 200 and day() == 2
    assert patch(client, clip, {"day": None}, '"2"').status_code == 200 and day() == 1
    check_problem(patch(client, clip, {"day": 77}, '"3"'), 422)
    check_problem(patch(client, clip, {"day": 0}, '"3"'), 422)


def test_a_clip_that_nobody_has_logged(client: TestClient, seeded: Seeded) -> None:
    read = client.get(f"/api/v1/clips/{seeded.unlogged}/log")
    assert read.headers["etag"] == '"0"' and read.json()["kind"] is None
    changed = patch(client, seeded.unlogged, {"kind": "b-roll"}, '"0"')
    assert (changed.json()["kind"], changed.headers["etag"]) == ("b-roll", '"1"')
    check_problem(patch(client, seeded.unlogged, {"kind": "interview"}, '"0"'), 412)


def test_an_edit_without_a_version_is_refused(client: TestClient, seeded: Seeded) -> None:
    problem = check_problem(patch(client, seeded.clips[0], {"note": "x"}, None), 428)
    assert "If-Match" in problem["remedy"]


@pytest.mark.parametrize("tag", ['"2"', '"0"', 'W/"1"', "1", '""', '"1', "x"])
def test_a_stale_or_strange_version_is_refused(client: TestClient, seeded: Seeded, tag: str) -> None:
    """RFC 9110, 13.1.1: a strong comparison, so a weak tag never matches."""
    before = client.get(f"/api/v1/clips/{seeded.clips[0]}/log").json()
    check_problem(patch(client, seeded.clips[0], {"note": "lost"}, tag), 412)
    assert client.get(f"/api/v1/clips/{seeded.clips[0]}/log").json() == before


@pytest.mark.parametrize("tag", ['"1"', '"9", "1"', "*", ' "1" '])
def test_a_matching_version_is_taken(client: TestClient, seeded: Seeded, tag: str) -> None:
    assert patch(client, seeded.clips[0], {"note": "kept"}, tag).json()["version"] == 2


def test_nothing_to_change_changes_nothing(client: TestClient, seeded: Seeded) -> None:
    assert patch(client, seeded.clips[0], {}, '"1"').json()["version"] == 1


def test_who_has_it_already_is_told_so(client: TestClient, seeded: Seeded) -> None:
    address = f"/api/v1/clips/{seeded.clips[0]}/log"
    answer = client.get(address, headers={"If-None-Match": 'W/"7", "1"'})
    assert answer.status_code == 304 and answer.content == b"" and answer.headers["etag"] == '"1"'
    assert client.get(address, headers={"If-None-Match": '"7"'}).status_code == 200


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "nonsense"},
        {"colour": "red"},
        {"tags": "ferry"},
        {"tags": [""]},
        {"note": "x" * 20_001},
        {"people": ["x" * 201]},
        {"note": "a \x00 b"},
        {"kind": 3},
        [],
    ],
)
def test_what_does_not_fit_changes_nothing(client: TestClient, seeded: Seeded, body: Any) -> None:
    check_problem(patch(client, seeded.clips[0], body, '"1"'), 422)
    assert client.get(f"/api/v1/clips/{seeded.clips[0]}/log").json()["version"] == 1


def test_an_unknown_term_is_answered_with_those_there_are(client: TestClient, seeded: Seeded) -> None:
    problem = check_problem(patch(client, seeded.clips[0], {"kind": "intervieuw"}, '"1"'), 422)
    assert "interview" in problem["remedy"] and "vox-pop" in problem["detail"]


def test_a_productions_own_terms_are_taken(client: TestClient, seeded: Seeded, catalogue: Sessions) -> None:
    check_problem(patch(client, seeded.clips[0], {"kind": "winch-work"}, '"1"'), 422)
    with writing(catalogue) as session:
        session.add(
            ProductionTerm(
                production_id=seeded.production, field="kind", code="winch-work", label="Winch work"
            )
        )
    assert patch(client, seeded.clips[0], {"kind": "winch work"}, '"1"').json()["kind"] == "winch-work"
    words = client.get("/api/v1/vocabulary").json()["fields"]["kind"]
    assert words[-1]["code"] == "winch-work"


def test_a_clip_that_is_not_there(client: TestClient, seeded: Seeded) -> None:
    check_problem(client.get("/api/v1/clips/99/log"), 404)
    check_problem(patch(client, 99, {"note": "x"}, '"0"'), 404)


def test_eight_writers_lose_nothing(settings: Settings, catalogue: Sessions, seeded: Seeded) -> None:
    """Each adds its own tag by read, change, write, and begins again when somebody was faster."""
    clip, rounds = seeded.clips[0], 3
    start = threading.Barrier(8)
    refused: list[int] = []

    def write(client: TestClient, name: str) -> None:
        start.wait()
        for number in range(rounds):
            while True:
                read = client.get(f"/api/v1/clips/{clip}/log")
                tags = [*read.json()["tags"], f"{name}-{number}"]
                answer = patch(client, clip, {"tags": tags}, read.headers["etag"])
                if answer.status_code == 200:
                    break
                assert answer.status_code == 412, answer.text
                refused.append(answer.status_code)

    with client_of(settings, catalogue) as client:
        threads = [threading.Thread(target=write, args=(client, f"writer{n}")) for n in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        entry = client.get(f"/api/v1/clips/{clip}/log").json()
    expected = {f"writer{n}-{number}" for n in range(8) for number in range(rounds)}
    assert set(entry["tags"]) == expected | {"ferry"}
    assert entry["version"] == 1 + 8 * rounds
    assert refused, "nobody was in anybody's way: this proves nothing"
