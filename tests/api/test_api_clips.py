"""Clips, stills, findings and facets, over HTTP."""

from __future__ import annotations

import hashlib
from pathlib import Path
from urllib.parse import quote

import pytest
from sqlalchemy import Engine, event, select, update
from starlette.testclient import TestClient

from shared.catalogue.search import find_clip_ids
from shared.db import Sessions, reading, writing
from shared.models import Finding, Production, Reel, Still
from shared.settings import Settings
from shared.vocabulary import Vocabulary
from tests.api.catalogue import Seeded
from tests.api.test_api_errors import check_problem
from tests.factories import make_clip, make_entry, make_still


def find(client: TestClient, q: str) -> list[int]:
    answer = client.get("/api/v1/clips", params={"q": q})
    assert answer.status_code == 200, answer.text
    return [clip["id"] for clip in answer.json()["items"]]


@pytest.mark.parametrize(
    "q",
    ["", "ferry", "kind:interview", "-kind:interview", 'person:"Ada Wren"', "day:2", "has:finding", "no:log"],
)
def test_the_query_language_is_the_catalogues_own(
    client: TestClient, seeded: Seeded, catalogue: Sessions, vocabulary: Vocabulary, q: str
) -> None:
    with reading(catalogue) as session:
        production = session.get_one(Production, seeded.production)
        expected = find_clip_ids(session, production, q, vocabulary)
    found = find(client, q)
    assert sorted(found) == expected and expected, "each of these queries finds something"


@pytest.mark.parametrize(("q", "column"), [("kind:nope", 5), ("ferry kindd:x", 6), ('a "b', 2)])
def test_a_query_that_can_not_be_read(client: TestClient, seeded: Seeded, q: str, column: int) -> None:
    problem = check_problem(client.get("/api/v1/clips", params={"q": q}), 422)
    assert (problem["query"], problem["column"]) == (q, column)
    assert problem["type"] == "/problems/query"


@pytest.mark.parametrize("limit", [1, 3, 4, 10, 500])
def test_pages_follow_each_other_without_gap_or_double(
    client: TestClient, seeded: Seeded, limit: int
) -> None:
    whole = find(client, "")
    address: str | None = f"/api/v1/clips?limit={limit}&production={seeded.slug}"
    walked: list[int] = []
    while address is not None:
        page = client.get(address).json()
        assert page["total"] == len(whole) == 10
        assert len(page["items"]) <= limit
        walked += [clip["id"] for clip in page["items"]]
        address = page["next"]
    assert walked == whole


def test_the_next_page_asks_the_same(client: TestClient, seeded: Seeded) -> None:
    page = client.get("/api/v1/clips", params={"q": "day:1 -kind:b-roll", "limit": 2}).json()
    rest = client.get(page["next"]).json()
    assert [clip["name"][-5:] for clip in page["items"] + rest["items"]] == ["C0001", "C0002", "C0003"]
    assert rest["next"] is None


@pytest.mark.parametrize("after", ["x", "1", "none.", "9" * 60, "1.1; drop"])
def test_a_place_that_is_none(client: TestClient, seeded: Seeded, after: str) -> None:
    check_problem(client.get("/api/v1/clips", params={"after": after}), 422)


def test_one_clip_with_everything(client: TestClient, seeded: Seeded) -> None:
    clip = client.get(f"/api/v1/clips/{seeded.clips[3]}").json()
    assert clip["name"] == "DCIM/101CLIPS/C0004" and clip["production"] == seeded.slug
    assert (clip["start"], clip["length"], clip["rate"]) == ("10:01:00:00", "00:00:15:20", "25")
    assert (clip["frames"], clip["seconds"]) == (395, "15.800")
    assert clip["shot_at"] == "2026-05-01T05:52:00Z"
    assert clip["findings"] == ["soft-focus"]
    assert clip["log"]["rating"] == "ng" and clip["log"]["version"] == 1
    (file,) = clip["files"]
    assert file["hash"] == {"algorithm": "xxh128", "value": f"{4:032x}"}
    assert [(copy["destination"], copy["state"]) for copy in file["copies"]] == [
        ("North", "verified"),
        ("South", "verified"),
    ]
    assert file["facts"]["audio_rate"] == 48000 and file["facts"]["rate"] == "25"


def test_what_is_unknown_stays_unknown(client: TestClient, seeded: Seeded) -> None:
    flight = client.get(f"/api/v1/clips/{seeded.unlogged}").json()
    assert flight["shot_at"] is None and flight["start"] is None
    assert flight["rate"] == "30000/1001"
    assert flight["log"]["version"] == 0 and flight["log"]["kind"] is None
    assert [file["role"] for file in flight["files"]] == ["essence", "sidecar"]
    sound = client.get(f"/api/v1/clips/{seeded.sound}").json()
    assert (sound["rate"], sound["length"], sound["seconds"]) == ("48000", "2.000 s", "2.000")
    assert sound["findings"] == ["no-signal"]


def test_findings_of_the_clip_and_of_its_files(
    client: TestClient, seeded: Seeded, catalogue: Sessions
) -> None:
    (finding,) = client.get(f"/api/v1/clips/{seeded.sound}/findings").json()["items"]
    assert (finding["code"], finding["severity"], finding["file"]) == (
        "no-signal",
        "fault",
        "MISC/ATMOS.WAV",
    )
    with writing(catalogue) as session:
        session.execute(update(Finding).where(Finding.id == finding["id"]).values(dismissed="it is a room"))
    (dismissed,) = client.get(f"/api/v1/clips/{seeded.sound}/findings").json()["items"]
    assert dismissed["dismissed"] == "it is a room"
    assert client.get(f"/api/v1/clips/{seeded.sound}").json()["findings"] == []
    check_problem(client.get("/api/v1/clips/99/findings"), 404)


def test_facets_count_what_the_query_finds(client: TestClient, seeded: Seeded) -> None:
    fields = client.get("/api/v1/clips/facets", params={"q": "day:2"}).json()["fields"]
    counts = {one["value"]: one["count"] for one in fields["kind"]}
    assert counts == {"interview": 1, "establishing": 1, "insert": 1, "b-roll": 1}
    assert fields["day"] == [{"value": "2", "label": "2026-05-02", "count": 6}]
    for value in counts:
        assert len(find(client, f"day:2 kind:{value}")) == counts[value]


# -- stills -----------------------------------------------------------------------------------------


def test_a_still_is_the_file_itself(
    client: TestClient, seeded: Seeded, catalogue: Sessions, settings: Settings
) -> None:
    still = client.get(f"/api/v1/clips/{seeded.clips[0]}").json()["stills"][0]
    answer = client.get(still["href"])
    with reading(catalogue) as session:
        path = settings.stills_folder / session.get_one(Still, still["id"]).path
    assert hashlib.sha256(answer.content).digest() == hashlib.sha256(path.read_bytes()).digest()
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "private, max-age=31536000, immutable"
    known = client.get(still["href"], headers={"If-None-Match": answer.headers["etag"]})
    assert known.status_code == 304 and known.content == b""


def test_another_picture_has_another_address(
    client: TestClient, seeded: Seeded, catalogue: Sessions, settings: Settings
) -> None:
    """What is cached for ever must never be served for something else."""
    before = client.get(f"/api/v1/clips/{seeded.clips[0]}").json()["stills"][0]["href"]
    with reading(catalogue) as session:
        path = settings.stills_folder / session.get_one(Still, seeded.still).path
    path.write_bytes(path.read_bytes() + b"\0")
    after = client.get(f"/api/v1/clips/{seeded.clips[0]}").json()["stills"][0]["href"]
    assert after != before
    assert "immutable" not in client.get(before).headers["cache-control"]
    assert "immutable" in client.get(after).headers["cache-control"]


@pytest.mark.parametrize(
    "path", ["../secret.jpg", "/etc/hostname", "a/../../secret.jpg", "link.jpg", "x.html"]
)
def test_no_row_leads_out_of_the_stills(
    client: TestClient, seeded: Seeded, catalogue: Sessions, settings: Settings, path: str
) -> None:
    folder = settings.stills_folder
    (folder.parent / "secret.jpg").write_bytes(b"secret")
    (folder / "x.html").write_bytes(b"<script>")
    (folder / "link.jpg").symlink_to(folder.parent / "secret.jpg")
    with writing(catalogue) as session:
        session.execute(update(Still).where(Still.id == seeded.still).values(path=path))
    answer = client.get(f"/api/v1/stills/{seeded.still}")
    check_problem(answer, 404)
    assert b"secret" not in answer.content


def test_a_picture_that_is_gone(
    client: TestClient, seeded: Seeded, catalogue: Sessions, settings: Settings
) -> None:
    with reading(catalogue) as session:
        (settings.stills_folder / session.get_one(Still, seeded.still).path).unlink()
    check_problem(client.get(f"/api/v1/stills/{seeded.still}"), 404)
    assert client.get(f"/api/v1/clips/{seeded.clips[0]}").status_code == 200
    check_problem(client.get("/api/v1/stills/999"), 404)


def test_hostile_names_are_carried_as_they_are(
    client: TestClient, seeded: Seeded, catalogue: Sessions, tmp_path: Path
) -> None:
    name = '<img src=x onerror=alert(1)>"\u202egpj'
    with writing(catalogue) as session:
        still = session.scalars(select(Still)).first()
        assert still is not None
        still.clip.name = name
    found = client.get("/api/v1/clips", params={"q": f"name:{quote('onerror')}"}).json()["items"]
    assert [clip["name"] for clip in found] == [name]


@pytest.mark.parametrize("address", ["/api/v1/clips", "/find", "/days/2"])
def test_the_number_of_statements_does_not_grow_with_the_clips(
    client: TestClient, seeded: Seeded, engine: Engine, catalogue: Sessions, address: str
) -> None:
    statements: list[str] = []
    event.listen(engine, "before_cursor_execute", lambda *about: statements.append(about[2]))

    def count() -> int:
        statements.clear()
        assert client.get(address).status_code == 200
        return len(statements)

    count()  # the facet counts are built once
    before = count()
    with writing(catalogue) as session:
        reel = session.get_one(Reel, seeded.reels[2])
        for _ in range(30):
            clip = make_clip(session, reel)
            make_still(session, clip)
            make_entry(session, clip, note="once more")
    count()  # the counts take in what was written, once
    assert count() <= before
