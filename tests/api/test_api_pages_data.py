"""What the pages ask the service for: strips, stills in sizes, kit, kept searches, many clips, the demo."""

from __future__ import annotations

import datetime as dt
import itertools
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from sqlalchemy import func, select
from starlette.testclient import TestClient

from shared.catalogue.demo import demo_folder, demo_production, mark_demo, open_demo_folder, remove_production
from shared.db import Sessions, reading, writing
from shared.errors import ConflictError
from shared.models import Base, Card, Clip, Copy, Destination, Production, SavedSearch, ShootingDay
from shared.settings import Settings
from tests import factories as make
from tests.api.catalogue import Seeded, seed
from tests.api.test_api_errors import check_problem

# -- the strip ----------------------------------------------------------------------------------------


def test_a_strip_has_each_clip_at_its_true_time(client: TestClient, seeded: Seeded) -> None:
    strip = client.get("/days/1/strip").json()
    # Copenhagen in May is two hours ahead of UTC: 05:40 UTC is 7 h 40 min after midnight there.
    assert [(clip[5].split(" · ")[0], clip[2], clip[3]) for clip in strip["clips"]] == [
        ("C0001", 27_600, 11.0),
        ("C0002", 27_840, 12.6),
        ("C0003", 28_080, 14.2),
        ("C0004", 28_320, 15.8),
    ]
    assert strip["lanes"] == ["A"] and strip["untimed"] == 0
    assert strip["hours"] == [[25_200, "07"], [28_800, "08"]]
    assert [clip[4] for clip in strip["clips"]] == [1 | 8, 1, 1, 1 | 2 | 4]
    assert client.get("/days/2/strip").json()["untimed"] == 2


def test_an_hour_that_the_clocks_skip_is_not_drawn(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    """Europe/Copenhagen, 29 March 2026: after 01:59:59 comes 03:00:00 (Directive 2000/84/EC; tz database)."""
    with writing(catalogue) as session:
        day = session.scalars(select(ShootingDay).filter_by(number=1)).one()
        day.date = dt.date(2026, 3, 29)
        for place, clip in enumerate(session.scalars(select(Clip).filter_by(day_id=day.id))):
            clip.shot_at = dt.datetime(2026, 3, 29, 0, 30, tzinfo=dt.UTC) + place * dt.timedelta(minutes=40)
    strip = client.get("/days/1/strip").json()
    assert [label for _, label in strip["hours"]] == ["01", "03", "04", "05"]
    seconds = [second for second, _ in strip["hours"]]
    assert [after - before for before, after in itertools.pairwise(seconds)] == [3600] * 3
    assert strip["clips"][1][2] - strip["clips"][0][2] == 2400


def test_slow_motion_is_as_long_as_its_taking(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    with writing(catalogue) as session:
        clip = session.get_one(Clip, 1)
        clip.capture_num, clip.capture_den = 100, 1
    assert client.get("/days/1/strip").json()["clips"][0][3] == 2.75


# -- stills in sizes ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("accept", "form"),
    [
        ("image/avif,image/webp,image/*,*/*;q=0.8", "AVIF"),
        ("image/webp,*/*", "WEBP"),
        ("image/png, image/jpeg", "JPEG"),
        ("", "JPEG"),
    ],
)
def test_a_still_comes_in_the_size_and_form_that_is_taken(
    client: TestClient, seeded: Seeded, settings: Settings, accept: str, form: str
) -> None:
    href = client.get("/api/v1/clips/1").json()["stills"][0]["href"]
    for _ in range(2):  # made, then found
        answer = client.get(f"{href}&w=320", headers={"Accept": accept})
        assert answer.headers["content-type"] == f"image/{form.lower()}"
        assert answer.headers["vary"] == "Accept" and answer.headers["cache-control"].endswith("immutable")
        with Image.open(BytesIO(answer.content)) as image:
            assert image.format == form and image.size == (320, 180)
    assert len(list((settings.stills_folder / ".sized").iterdir())) == 1
    again = client.get(f"{href}&w=320", headers={"Accept": accept, "If-None-Match": answer.headers["etag"]})
    assert again.status_code == 304


def test_no_other_width_is_made(client: TestClient, seeded: Seeded) -> None:
    check_problem(client.get("/api/v1/stills/1?w=321"), 422)


def test_a_still_that_is_no_picture_is_given_as_it_is(
    client: TestClient, seeded: Seeded, settings: Settings
) -> None:
    file = next(settings.stills_folder.rglob("*-0.jpg"))
    file.write_bytes(b"no picture")
    stills = [one for clip in range(1, 11) for one in client.get(f"/api/v1/clips/{clip}").json()["stills"]]
    answers = [client.get(f"{one['href']}&w=320") for one in stills]
    assert sum(answer.content == b"no picture" for answer in answers) == 1


# -- kit and searches ---------------------------------------------------------------------------------


def test_the_kit_list_grows(client: TestClient, seeded: Seeded) -> None:
    body = {"letter": "c", "name": "Second", "kind": "camera", "zone_rule": "local"}
    assert client.post("/api/v1/cameras", json=body).json()["letter"] == "C"
    check_problem(client.post("/api/v1/cameras", json=body), 409)
    check_problem(client.post("/api/v1/cameras", json={"letter": "1"}), 422)
    made = client.post("/api/v1/lenses", json={"name": " 24 – 70 ", "focal": "24-70", "aperture": "f/2.8"})
    assert made.status_code == 201
    assert (made.json()["name"], made.json()["focal_min_mm"], made.json()["focal_max_mm"]) == (
        "24 – 70",
        24,
        70,
    )
    check_problem(client.post("/api/v1/lenses", json={"name": "24 – 70"}), 409)
    check_problem(client.post("/api/v1/lenses", json={"name": "x", "focal": "wide"}), 422)


def test_searches_are_kept_and_let_go(client: TestClient, seeded: Seeded) -> None:
    body = {"name": "the  talks", "query": "kind:interview "}
    made = client.post("/api/v1/searches", json=body)
    assert made.status_code == 201 and made.json()["name"] == "the talks"
    assert made.json()["query"] == "kind:interview"
    check_problem(client.post("/api/v1/searches", json=body), 409)
    check_problem(client.post("/api/v1/searches", json={"name": "x", "query": "kindd:x"}), 422)
    check_problem(client.post("/api/v1/searches", json={"name": "  ", "query": ""}), 422)
    number = made.json()["id"]
    kind = {"Content-Type": "application/json"}
    assert client.request("DELETE", f"/api/v1/searches/{number}", headers=kind).status_code == 204
    check_problem(client.request("DELETE", f"/api/v1/searches/{number}", headers=kind), 404)


# -- many clips by id ---------------------------------------------------------------------------------


def test_clips_are_edited_by_id_and_only_those(client: TestClient, seeded: Seeded) -> None:
    body: dict[str, Any] = {"clips": [3, 1, 3], "set": {"rating": "hold"}}
    preview = client.post("/api/v1/changes", json=body | {"preview": True})
    assert preview.status_code == 200 and preview.json()["count"] == 2
    assert client.post("/api/v1/changes", json=body | {"expect": 2}).status_code == 201
    ratings = [client.get(f"/api/v1/clips/{clip}/log").json()["rating"] for clip in (1, 2, 3)]
    assert ratings == ["hold", "good", "hold"]


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({}, 422),
        ({"query": "ferry", "clips": [1]}, 422),
        ({"clips": []}, 422),
        ({"clips": [1, 4711]}, 404),
        ({"clips": [1], "expect": 2}, 409),
    ],
)
def test_what_is_not_clear_changes_nothing(
    client: TestClient, seeded: Seeded, body: dict[str, Any], status: int
) -> None:
    check_problem(client.post("/api/v1/changes", json=body | {"set": {"rating": "hold"}}), status)
    assert client.get("/api/v1/changes").json()["items"] == []


def test_a_clip_of_another_production_is_not_meant(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    with writing(catalogue) as session:
        other = make.make_production(session, name="Low Tide")
        clip = make.make_clip(session, make.make_reel(session, other)).id
    answer = client.post(
        "/api/v1/changes",
        params={"production": seeded.slug},
        json={"clips": [1, clip], "set": {"rating": "hold"}},
    )
    check_problem(answer, 404)


# -- the demo -----------------------------------------------------------------------------------------


def test_the_demo_is_one_request_at_a_time(client: TestClient, seeded: Seeded) -> None:
    check_problem(client.post("/api/v1/demo", json={"action": "remove"}), 404)
    asked = client.post("/api/v1/demo", json={"action": "load"})
    assert asked.status_code == 202 and asked.json()["order"] == {"action": "load"}
    check_problem(client.post("/api/v1/demo", json={"action": "load"}), 409)


def counts(sessions: Sessions) -> dict[str, int]:
    with reading(sessions) as session:
        return {
            table.name: session.scalar(select(func.count()).select_from(table)) or 0
            for table in Base.metadata.sorted_tables
            if table.name != "touched"
        }


def test_a_production_goes_with_all_that_hangs_on_it_and_nothing_else(
    catalogue: Sessions, settings: Settings
) -> None:
    """Beside another one that looks the same, whose every row stays."""
    seed(catalogue, settings.stills_folder)
    with writing(catalogue) as session:
        first = session.scalars(select(Production)).one()
        first.name, first.slug = "Low Tide", "low-tide"
        for place in session.scalars(select(Destination)):
            place.path += "-of-low-tide"
    kept = counts(catalogue)
    seed(catalogue, settings.stills_folder)
    with writing(catalogue) as session:
        second = session.scalars(select(Production).where(Production.name != "Low Tide")).one()
        session.add(SavedSearch(production_id=second.id, name="all", query=""))
        card = Card(label="A07")
        session.add(card)
        session.flush()
        clip = session.scalars(select(Clip).where(Clip.production_id == second.id)).first()
        assert clip is not None
        clip.reel.card_id = card.id
    assert any(count > kept[name] for name, count in counts(catalogue).items())
    with writing(catalogue) as session:
        stills = remove_production(session, session.get_one(Production, second.id))
    assert counts(catalogue) == kept
    assert len(stills) == 25
    with reading(catalogue) as session:
        assert session.scalars(select(Card)).all() == []
        assert session.scalar(select(func.count()).select_from(Copy)) == kept["copy"]


def test_only_a_production_that_is_marked_is_the_demos(
    catalogue: Sessions, settings: Settings, seeded: Seeded
) -> None:
    with writing(catalogue) as session:
        production = session.get_one(Production, seeded.production)
        assert demo_production(session, settings.home) is None
        open_demo_folder(settings.home)
        assert demo_production(session, settings.home) is None
        mark_demo(settings.home, production)
        assert demo_production(session, settings.home) is production
        production.name = "Somebody's own film"
        assert demo_production(session, settings.home) is None


def test_a_folder_that_is_somebody_elses_is_not_touched(tmp_path: Path) -> None:
    folder = demo_folder(tmp_path)
    folder.mkdir()
    (folder / "wedding.mov").write_bytes(b"!")
    with pytest.raises(ConflictError, match="not the demo's"):
        open_demo_folder(tmp_path)
    assert (folder / "wedding.mov").read_bytes() == b"!"
