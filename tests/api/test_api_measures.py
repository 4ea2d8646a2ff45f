"""What was measured of a clip, over HTTP; and findings dismissed by a person."""

from __future__ import annotations

import pytest
from sqlalchemy import select, update
from starlette.testclient import TestClient

from ingest.measure.sound_numbers import VERSION
from shared.catalogue.log import apply_changes, parse_assignments, production_vocabulary
from shared.db import Sessions, reading, writing
from shared.models import ChangeSet, Clip, Finding, Measurement
from tests.api.catalogue import Seeded
from tests.api.measured import SECONDS, measure_clip
from tests.api.test_api_errors import check_problem


@pytest.fixture
def clip(seeded: Seeded, catalogue: Sessions) -> int:
    """A clip that has been measured."""
    with writing(catalogue) as session:
        measure_clip(session, session.get_one(Clip, seeded.clips[1]))
    return seeded.clips[1]


def test_curves_of_a_bounded_number_of_points(client: TestClient, clip: int) -> None:
    whole = client.get(f"/api/v1/clips/{clip}/measures").json()
    (file,) = whole["files"]
    subject = file["picture"]["subject"]
    assert len(subject["times"]) == len(subject["low"]) == len(subject["high"]) == 6 + 50
    assert subject["times"] == sorted(subject["times"])
    few = client.get(f"/api/v1/clips/{clip}/measures", params={"points": 10}).json()["files"][0]
    band = few["picture"]["subject"]
    assert len(band["times"]) <= 10
    # Thinned, the band still holds the whole swing: ±0.2 about -2.
    assert min(band["low"]) == pytest.approx(-2.2, abs=0.01)
    assert max(band["high"]) == pytest.approx(-1.8, abs=0.01)
    assert all(low <= high for low, high in zip(band["low"], band["high"], strict=True))


def test_levels_of_each_channel(client: TestClient, clip: int) -> None:
    sound = client.get(f"/api/v1/clips/{clip}/measures").json()["files"][0]["sound"]
    first, second = sound["channels"]
    assert (first["channel"], second["channel"]) == (1, 2)
    # A sine of amplitude 0.1 peaks at -20 dBFS, and has an RMS 3.01 dB below.
    assert first["peak"][3] == -20 and first["rms"][3] == -23
    assert set(second["rms"]) == {-120}
    assert first["times"][-1] < SECONDS


def test_findings_that_have_a_place_and_suggestions(
    client: TestClient, clip: int, seeded: Seeded, catalogue: Sessions
) -> None:
    whole = client.get(f"/api/v1/clips/{clip}/measures").json()
    (finding,) = whole["findings"]
    assert (finding["code"], finding["start"], finding["end"]) == ("focus-hunting", 4.0, 7.92)
    assert [(one["field"], one["value"]) for one in whole["suggestions"]] == [("movement", "static")]
    with writing(catalogue) as session:
        row = session.get_one(Clip, clip)
        words = production_vocabulary(session, row.production)
        changes = parse_assignments(["movement=pan"], words)
        apply_changes(session, row.production, [clip], changes, words, "ada")
    assert client.get(f"/api/v1/clips/{clip}/measures").json()["suggestions"] == [], "a word stands above it"
    check_problem(client.get("/api/v1/clips/999999/measures"), 404)


def test_what_was_not_measured_says_so(
    client: TestClient, clip: int, seeded: Seeded, catalogue: Sessions
) -> None:
    (file,) = client.get(f"/api/v1/clips/{seeded.clips[0]}/measures").json()["files"]
    assert file["picture"] is None and file["sound"] is None
    with writing(catalogue) as session:
        session.execute(update(Measurement).values(version=0))
    (file,) = client.get(f"/api/v1/clips/{clip}/measures").json()["files"]
    assert file["picture"]["subject"] is None and "judge --measure" in file["picture"]["problem"]
    with writing(catalogue) as session:
        session.execute(update(Measurement).values(version=VERSION, numbers=None, problem="It is damaged."))
    (file,) = client.get(f"/api/v1/clips/{clip}/measures").json()["files"]
    assert file["sound"]["channels"] is None and file["sound"]["problem"] == "It is damaged."


def test_a_finding_is_dismissed_and_brought_back(client: TestClient, clip: int, catalogue: Sessions) -> None:
    with reading(catalogue) as session:
        number = session.scalars(select(Finding.id).where(Finding.code == "focus-hunting")).one()
    href = f"/api/v1/findings/{number}"
    tag = client.get(href).headers["ETag"]
    check_problem(client.patch(href, json={"dismissed": "meant"}), 428)
    late = check_problem(client.patch(href, json={"dismissed": "meant"}, headers={"If-Match": '"old"'}), 412)
    assert late["current"] == client.get(href).json()
    check_problem(client.patch(href, json={"dismissed": ""}, headers={"If-Match": tag}), 422)
    check_problem(client.patch(href, json={}, headers={"If-Match": tag}), 422)
    done = client.patch(href, json={"dismissed": "a dream, it is meant"}, headers={"If-Match": tag})
    assert done.status_code == 200 and done.json()["dismissed"] == "a dream, it is meant"
    assert done.headers["ETag"] == client.get(href).headers["ETag"] != tag
    assert client.get(f"/api/v1/clips/{clip}").json()["findings"] == []
    found = client.get("/api/v1/clips/facets").json()["fields"].get("finding", [])
    assert "focus-hunting" not in {one["value"] for one in found}
    with reading(catalogue) as session:
        edit = session.scalars(select(ChangeSet).order_by(ChangeSet.id.desc())).first()
        assert edit is not None and "a dream" in edit.summary
    undone = client.post(f"/api/v1/changes/{edit.id}/undo", headers={"Content-Type": "application/json"})
    assert undone.status_code == 201
    assert client.get(href).json()["dismissed"] is None
    back = client.patch(href, json={"dismissed": None}, headers={"If-Match": "*"})
    assert back.status_code == 200
    check_problem(client.get("/api/v1/findings/999999"), 404)
