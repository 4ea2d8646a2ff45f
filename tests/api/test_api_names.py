"""Tags, people and lenses over HTTP."""

from __future__ import annotations

from starlette.testclient import TestClient

from tests.api.catalogue import Seeded
from tests.api.test_api_errors import check_problem


def test_a_person_is_renamed_on_every_clip(client: TestClient, seeded: Seeded) -> None:
    (person,) = client.get("/api/v1/people").json()["items"]
    address = f"/api/v1/people/{person['id']}"
    read = client.get(address)
    assert read.json() == person and person["clips"] == 2
    check_problem(client.patch(address, json={"name": "Ada Wrenn"}), 428)
    tag = {"If-Match": read.headers["ETag"]}
    changed = client.patch(address, json={"name": "Ada Wrenn", "role": "ferry keeper"}, headers=tag)
    assert changed.json() == {**person, "name": "Ada Wrenn", "role": "ferry keeper"}
    assert client.get("/api/v1/clips", params={"q": 'person:"Ada Wrenn" wrenn'}).json()["total"] == 2
    late = check_problem(client.patch(address, json={"name": "X"}, headers=tag), 412)
    assert late["current"] == changed.json()
    (edit,) = client.get("/api/v1/changes").json()["items"]
    assert client.post(f"/api/v1/changes/{edit['id']}/undo", json={}).status_code == 201
    assert client.get(address).json() == person
    check_problem(client.get("/api/v1/people/999"), 404)


def test_a_tag_is_renamed_and_listed(client: TestClient, seeded: Seeded) -> None:
    (tag,) = client.get("/api/v1/tags").json()["items"]
    address = f"/api/v1/tags/{tag['id']}"
    renamed = client.patch(address, json={"name": "by the water"}, headers={"If-Match": "*"})
    assert renamed.json() == {**tag, "name": "by the water"}
    facets = client.get("/api/v1/clips/facets").json()["fields"]["tag"]
    assert [(one["value"], one["count"]) for one in facets] == [("by the water", tag["clips"])]
    check_problem(client.patch(address, json={"name": " "}, headers={"If-Match": "*"}), 422)
    check_problem(client.patch("/api/v1/tags/99", json={"name": "x"}, headers={"If-Match": "*"}), 404)


def test_a_lens_is_added_corrected_and_put_on_a_clip(client: TestClient, seeded: Seeded) -> None:
    body = {"name": "85 mm", "focal": "85", "aperture": "f/1.8"}
    made = client.post("/api/v1/lenses", json=body)
    assert made.status_code == 201
    lens = made.json()
    assert (lens["name"], lens["focal_min_mm"], lens["focal_max_mm"]) == ("85 mm", 85, 85)
    check_problem(client.post("/api/v1/lenses", json=body), 409)
    check_problem(client.post("/api/v1/lenses", json={**body, "name": "x", "focal": "85-50"}), 422)
    address = f"/api/v1/lenses/{lens['id']}"
    tag = {"If-Match": client.get(address).headers["ETag"]}
    changed = client.patch(address, json={"name": "85 mm prime"}, headers=tag)
    assert changed.json() == {**lens, "name": "85 mm prime"}
    check_problem(client.patch(address, json={"name": "y"}, headers=tag), 412)
    check_problem(client.patch(address, json={"focal_max_mm": 50}, headers={"If-Match": "*"}), 422)
    clip = f"/api/v1/clips/{seeded.clips[0]}"
    log = client.patch(f"{clip}/log", json={"lens": "85 mm prime"}, headers={"If-Match": "*"})
    assert log.status_code == 200
    assert client.get(clip).json()["lens"] == "85 mm prime" and not client.get(clip).json()["lens_assumed"]
    client.patch(f"{clip}/log", json={"lens": None}, headers={"If-Match": "*"})
    assert client.get(clip).json()["lens_assumed"]  # the camera's usual one
    check_problem(client.get("/api/v1/lenses/999"), 404)
