"""Searching over HTTP: the order, excerpts as pieces, and what can't be asked."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from shared.catalogue.search import Order, find_clips
from shared.catalogue.text import refresh_text
from shared.db import Sessions, reading, writing
from shared.models import LogEntry, Production
from shared.vocabulary import Vocabulary
from tests.api.catalogue import Seeded
from tests.api.test_api_errors import check_problem

HOSTILE = '<img src=x onerror=alert(1)> the lantern & "rope"'


def get(client: TestClient, **asked: Any) -> Any:
    answer = client.get("/api/v1/clips", params=asked)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_the_likeliest_first_page_by_page(
    client: TestClient, seeded: Seeded, catalogue: Sessions, vocabulary: Vocabulary
) -> None:
    with reading(catalogue) as session:
        production = session.get_one(Production, seeded.production)
        page = find_clips(session, production, "", vocabulary, order=Order.BEST)
        expected = [clip.id for clip in page.clips]
    assert expected != sorted(expected), "else the order of time would do"
    address: str | None = "/api/v1/clips?order=best&limit=3"
    walked: list[int] = []
    while address is not None:
        found = client.get(address).json()
        walked += [clip["id"] for clip in found["items"]]
        address = found["next"]
    assert walked == expected


def test_a_place_of_the_other_order_is_refused(client: TestClient, seeded: Seeded) -> None:
    assert client.get("/api/v1/clips", params={"after": "3:none.1", "order": "best"}).status_code == 200
    check_problem(client.get("/api/v1/clips", params={"after": "3:none.1"}), 422)
    check_problem(client.get("/api/v1/clips", params={"after": "none.1", "order": "best"}), 422)
    check_problem(client.get("/api/v1/clips", params={"order": "newest"}), 422)


def test_excerpts_are_pieces_of_plain_text(
    client: TestClient, seeded: Seeded, catalogue: Sessions, vocabulary: Vocabulary
) -> None:
    with writing(catalogue) as session:
        entry = session.scalars(select(LogEntry).where(LogEntry.clip_id == seeded.clips[0])).one()
        entry.note = HOSTILE
        session.flush()
        refresh_text(session, [seeded.clips[0]], vocabulary)
    (clip,) = get(client, q="lanterns", excerpts=True)["items"]
    assert clip["id"] == seeded.clips[0]
    ((excerpt),) = clip["excerpts"]
    assert excerpt["field"] == "note"
    assert "".join(piece["text"] for piece in excerpt["pieces"]) == HOSTILE
    assert [piece["text"] for piece in excerpt["pieces"] if piece["hit"]] == ["lantern"]
    (clip,) = get(client, q="lanterns")["items"]
    assert clip["excerpts"] == []


@pytest.mark.parametrize(("q", "column"), [("has:luck", 4), ("rating:7", 7)])
def test_what_can_not_be_asked_says_so(client: TestClient, seeded: Seeded, q: str, column: int) -> None:
    problem = check_problem(client.get("/api/v1/clips", params={"q": q}), 422)
    assert (problem["query"], problem["column"]) == (q, column)


def test_a_productions_own_language_is_what_counts(client: TestClient) -> None:
    made = client.post("/api/v1/productions", json={"name": "Am Fluss", "zone": "UTC", "language": "de"})
    assert made.status_code == 201
    assert made.json()["language"] == "de"
