"""The service over PostgreSQL: the same answers, and no lost update there either. See tests/postgres.py."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from shared.db import Sessions, make_sessions, open_catalogue
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of, seed
from tests.api.test_api_errors import check_problem

pytest_plugins = ("tests.postgres",)


@pytest.fixture
def server_catalogue(postgres_url: str) -> Iterator[Sessions]:
    engine = open_catalogue(postgres_url)
    yield make_sessions(engine)
    engine.dispose()


@pytest.fixture
def server_seeded(server_catalogue: Sessions, settings: Settings) -> Seeded:
    return seed(server_catalogue, settings.stills_folder)


@pytest.fixture
def server_client(settings: Settings, server_catalogue: Sessions) -> Iterator[TestClient]:
    with client_of(settings, server_catalogue) as client:
        yield client


def test_both_databases_answer_alike(
    client: TestClient, server_client: TestClient, seeded: Seeded, server_seeded: Seeded
) -> None:
    """Everything that can be read, save when rows were made and where their stills lie."""
    for address in (
        "/api/v1/days",
        "/api/v1/cameras",
        "/api/v1/reels",
        "/api/v1/clips?q=ferry",
        "/api/v1/clips?limit=4",
        "/api/v1/clips?q=kind:interview,insert",
        "/api/v1/clips/facets",
        f"/api/v1/clips/{seeded.sound}",
        f"/api/v1/clips/{seeded.sound}/findings",
        "/api/v1/clips?q=kind:nope",
        "/api/v1/vocabulary",
    ):
        here, there = client.get(address), server_client.get(address)
        assert here.status_code == there.status_code, there.text
        assert timeless(here.json()) == timeless(there.json()), address


def timeless(value: object) -> object:
    if isinstance(value, dict):
        left_out = ("updated_at", "created_at", "href", "stills")
        return {name: timeless(one) for name, one in value.items() if name not in left_out}
    if isinstance(value, list):
        return [timeless(one) for one in value]
    return value


def test_writers_lose_nothing(server_client: TestClient, server_seeded: Seeded) -> None:
    address = f"/api/v1/clips/{server_seeded.unlogged}/log"  # no entry yet: the clip itself is locked
    start = threading.Barrier(6)

    def write(name: str) -> None:
        start.wait()
        while True:
            read = server_client.get(address)
            body = {"tags": [*read.json()["tags"], name]}
            answer = server_client.patch(address, json=body, headers={"If-Match": read.headers["etag"]})
            if answer.status_code == 200:
                return
            check_problem(answer, 412)

    threads = [threading.Thread(target=write, args=(f"writer{number}",)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    entry = server_client.get(address).json()
    assert sorted(entry["tags"]) == [f"writer{number}" for number in range(6)]
    assert entry["version"] == 6


def test_the_same_name_at_the_same_time(server_client: TestClient) -> None:
    """The database notices what nobody else could; it is a conflict and no fault of ours."""
    start = threading.Barrier(8)
    statuses: list[int] = []

    def make() -> None:
        start.wait()
        body = {"name": "Low Tide", "zone": "Europe/London"}
        statuses.append(server_client.post("/api/v1/productions", json=body).status_code)

    threads = [threading.Thread(target=make) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses) == [201, *[409] * 7]
