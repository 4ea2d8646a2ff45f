"""Productions, days and the kit list, over HTTP."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from shared.db import HEAD, Sessions, make_engine, make_sessions, writing
from shared.models import Destination, File, Reel
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of
from tests.api.test_api_errors import check_problem
from tests.factories import make_copy, make_file

NEW = {
    "name": "Low Tide",
    "rate": "29.97",
    "drop_frame": True,
    "zone": "Europe/London",
    "day_starts": "05:30",
}


def test_health(client: TestClient) -> None:
    assert client.get("/health").json() == {"status": "ok"}
    assert client.get("/ready").json() == {"status": "ready", "schema_revision": HEAD}


def test_an_unknown_schema_is_not_ready(settings: Settings, tmp_path: Path) -> None:
    engine = make_engine(f"sqlite:///{tmp_path / 'empty.sqlite'}")
    with client_of(settings, make_sessions(engine)) as client:
        assert client.get("/health").status_code == 200, "it lives"
        problem = check_problem(client.get("/ready"), 503)
        check_problem(client.get("/api/v1/productions"), 503)
    engine.dispose()
    assert "rushlight upgrade" in problem["remedy"]


def test_a_production_is_made_and_read(client: TestClient) -> None:
    answer = client.post("/api/v1/productions", json=NEW)
    assert answer.status_code == 201
    made = answer.json()
    assert made["rate"] == "30000/1001" and made["drop_frame"] is True
    assert (made["slug"], made["day_starts"], made["language"]) == ("low-tide", "05:30:00", "en")
    assert client.get(answer.headers["location"]).json() == made
    for name in ("Low Tide", "low-tide", str(made["id"])):
        assert client.get(f"/api/v1/productions/{name}").json() == made


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"zone": "Europe/Lundon"}, 422),
        ({"rate": "23.98765"}, 422),
        ({"rate": "25"}, 422),  # no drop-frame at 25
        ({"day_starts": "25:00"}, 422),
        ({"name": " "}, 422),
    ],
)
def test_a_production_that_makes_no_sense(client: TestClient, change: dict[str, str], status: int) -> None:
    problem = check_problem(client.post("/api/v1/productions", json=NEW | change), status)
    assert problem["remedy"]
    assert client.get("/api/v1/productions").json()["items"] == []


def test_a_name_is_taken_once(client: TestClient) -> None:
    client.post("/api/v1/productions", json=NEW)
    check_problem(client.post("/api/v1/productions", json=NEW), 409)


def test_productions_are_paged_by_key(client: TestClient) -> None:
    for number in range(5):
        client.post("/api/v1/productions", json=NEW | {"name": f"Film {number}"})
    assert walk(client, "/api/v1/productions?limit=2") == [f"Film {number}" for number in (4, 3, 2, 1, 0)]


def walk(client: TestClient, address: str | None) -> list[str]:
    names = []
    while address is not None:
        page = client.get(address).json()
        assert len(page["items"]) <= 2
        names += [one["name"] for one in page["items"]]
        address = page["next"]
    return names


# -- days -------------------------------------------------------------------------------------------


def test_days_are_listed_with_their_clips(client: TestClient, seeded: Seeded) -> None:
    days = client.get(f"/api/v1/days?production={seeded.slug}").json()["items"]
    assert [(day["number"], day["date"], day["clips"]) for day in days] == [
        (1, "2026-05-01", 4),
        (2, "2026-05-02", 6),
    ]
    assert client.get("/api/v1/days/2").json() == days[1]


def test_a_day_is_made_once(client: TestClient, seeded: Seeded) -> None:
    body = {"date": "2026-05-03", "goal": "The people who cross."}
    answer = client.put("/api/v1/days/3", json=body, headers={"If-None-Match": "*"})
    assert answer.status_code == 201
    assert answer.json() == {"number": 3, "clips": 0, **body}
    check_problem(client.put("/api/v1/days/3", json=body, headers={"If-None-Match": "*"}), 412)
    check_problem(client.put("/api/v1/days/4", json=body), 409)  # the date is day 3 already
    check_problem(client.put("/api/v1/days/5", json=body, headers={"If-Match": '"x"'}), 412)


def test_an_edit_of_a_day_needs_the_version_it_edits(client: TestClient, seeded: Seeded) -> None:
    read = client.get("/api/v1/days/1")
    body = {"date": "2026-05-01", "goal": "Mist on the river."}
    check_problem(client.put("/api/v1/days/1", json=body), 428)
    changed = client.put("/api/v1/days/1", json=body, headers={"If-Match": read.headers["etag"]})
    assert changed.status_code == 200 and changed.json()["goal"] == "Mist on the river."
    assert changed.headers["etag"] == client.get("/api/v1/days/1").headers["etag"] != read.headers["etag"]
    stale = {"If-Match": read.headers["etag"]}
    check_problem(client.put("/api/v1/days/1", json=body | {"goal": "Lost"}, headers=stale), 412)
    assert client.get("/api/v1/days/1").json()["goal"] == "Mist on the river."


def test_a_day_that_is_not_there(client: TestClient, seeded: Seeded) -> None:
    problem = check_problem(client.get("/api/v1/days/9"), 404)
    assert "1 (2026-05-01)" in problem["remedy"]


# -- kit and reels ----------------------------------------------------------------------------------


def test_the_kit_list(client: TestClient, seeded: Seeded) -> None:
    cameras = client.get("/api/v1/cameras").json()["items"]
    assert [(one["letter"], one["kind"], one["default_lens"]) for one in cameras] == [
        ("A", "camera", "35 mm"),
        ("D", "drone", None),
    ]
    assert client.get("/api/v1/cameras/a").json() == cameras[0]
    check_problem(client.get("/api/v1/cameras/Z"), 404)
    assert [one["name"] for one in client.get("/api/v1/lenses").json()["items"]] == ["35 mm"]


def test_reels_say_how_their_copies_stand(client: TestClient, seeded: Seeded) -> None:
    reels = {one["name"]: one for one in client.get("/api/v1/reels").json()["items"]}
    assert {name: reel["files"] for name, reel in reels.items()} == {"A001": 4, "A002": 4, "D001": 3}
    whole = {"verified": 4, "written": 0, "differs": 0, "missing": 0}
    assert reels["A001"]["copies"] == [
        {"destination": "North", **whole},
        {"destination": "South", **whole},
    ]
    assert reels["A002"]["copies"][1] == {
        "destination": "South",
        "verified": 3,
        "written": 0,
        "differs": 1,
        "missing": 0,
    }
    assert [one["destination"] for one in reels["D001"]["copies"]] == ["North"]
    assert client.get(f"/api/v1/reels/{seeded.reels[0]}").json() == reels["A001"]
    check_problem(client.get("/api/v1/reels/99"), 404)


@pytest.mark.parametrize(
    "noun", ["days", "cameras", "lenses", "reels", "offloads", "clips", "clips/facets", "vocabulary"]
)
def test_no_production_at_all_is_said(client: TestClient, noun: str) -> None:
    problem = check_problem(client.get(f"/api/v1/{noun}"), 404)
    assert problem["detail"] == "there is no production yet"


def test_each_production_has_its_own(
    client: TestClient, seeded: Seeded, catalogue: Sessions, make_other: Callable[[], str]
) -> None:
    other = make_other()
    assert client.get("/api/v1/days").json()["items"] == [], "the latest is the other one"
    assert client.get(f"/api/v1/reels?production={other}").json()["items"] == []
    assert len(client.get(f"/api/v1/days?production={seeded.slug}").json()["items"]) == 2


@pytest.fixture
def make_other(client: TestClient) -> Callable[[], str]:
    def make() -> str:
        slug: str = client.post("/api/v1/productions", json=NEW).json()["slug"]
        return slug

    return make


def test_a_copy_that_was_never_made_is_missing(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    """South got one file of three before its drive went away; one more could not be read from the card,
    and one was not come to."""
    with writing(catalogue) as session:
        reel = session.get_one(Reel, seeded.reels[2])
        first = session.scalars(select(File).filter_by(reel_id=reel.id).order_by(File.id)).first()
        south = session.scalars(select(Destination).filter_by(name="South")).one()
        assert first is not None
        make_copy(session, first, south)
        make_file(session, reel, digest=None, problem="input/output error")
        make_file(session, reel, digest=None)
    reel_now = client.get(f"/api/v1/reels/{seeded.reels[2]}").json()
    assert (reel_now["files"], reel_now["unreadable"], reel_now["unread"]) == (5, 1, 1)
    counts = [(one["destination"], one["verified"], one["missing"]) for one in reel_now["copies"]]
    assert counts == [("North", 3, 0), ("South", 1, 2)]
