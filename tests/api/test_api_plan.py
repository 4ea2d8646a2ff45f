"""The plan, coverage, wrap and releases over HTTP, and the wrap page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx2
import pytest
from starlette.testclient import TestClient

from api.tokens import Scope, make_token, scope_needed
from shared.db import Sessions
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of
from tests.api.test_api_errors import check_problem

API = "/api/v1"
JSON = {"Content-Type": "application/json"}
WISH = {"what": "The chain out of the water", "need": "must", "size": "close-up", "day": 2, "seconds": 4}


def delete(client: TestClient, at: str, tag: str | None) -> httpx2.Response:
    answer: httpx2.Response = client.delete(at, headers=JSON | ({"If-Match": tag} if tag else {}))
    return answer


def post(client: TestClient, noun: str, **body: Any) -> Any:
    answer = client.post(f"{API}/{noun}", json=body)
    assert answer.status_code in (200, 201), answer.text
    return answer.json()


def test_a_wish_is_made_changed_and_removed_with_its_version(client: TestClient, seeded: Seeded) -> None:
    made = client.post(f"{API}/wishes", json=WISH | {"who": ["Nell", "Ada Wren"]})
    assert made.status_code == 201
    wish, tag = made.json(), made.headers["etag"]
    assert (wish["code"], wish["size"], wish["day"], wish["who"]) == ("W1", "cu", 2, ["Ada Wren", "Nell"])
    at = f"{API}/wishes/{wish['id']}"
    assert client.get(at).json() == wish and client.get(at).headers["etag"] == tag
    check_problem(client.patch(at, json={"need": "nice"}), 428)
    changed = client.patch(
        at, json={"need": "nice", "size": None, "who": ["Nell"]}, headers={"If-Match": tag}
    )
    assert changed.status_code == 200
    assert (changed.json()["need"], changed.json()["size"], changed.json()["who"]) == ("nice", None, ["Nell"])
    assert changed.json()["seconds"] == 4, "what is not named stays"
    late = check_problem(client.patch(at, json={"need": "must"}, headers={"If-Match": tag}), 412)
    assert late["current"] == client.get(at).json()
    check_problem(delete(client, at, tag), 412)
    assert delete(client, at, changed.headers["etag"]).status_code == 204
    check_problem(client.get(at), 404)
    number = client.get(f"{API}/changes").json()["items"][0]["id"]
    assert client.post(f"{API}/changes/{number}/undo", headers=JSON).status_code in (200, 201)
    assert client.get(at).json() == changed.json(), "an undo brings it back"


def test_codes_and_words_are_checked(client: TestClient, seeded: Seeded) -> None:
    post(client, "wishes", **WISH, code="hands-1")
    check_problem(client.post(f"{API}/wishes", json=WISH | {"code": "HANDS-1"}), 409)
    check_problem(client.post(f"{API}/wishes", json=WISH | {"size": "huge"}), 422)
    check_problem(client.post(f"{API}/wishes", json=WISH | {"day": 9}), 404)
    check_problem(client.post(f"{API}/wishes", json={"need": "must"}), 422)


def test_what_answers_a_wish(client: TestClient, seeded: Seeded) -> None:
    wish = post(client, "wishes", what="her hands at the winch", size="ecu", seconds=5)
    at = f"{API}/wishes/{wish['id']}"
    standing = client.get(f"{at}/standing").json()
    assert standing["status"] == "possible"
    assert [one["clip"] for one in standing["suggestions"]] == [seeded.clips[1], seeded.clips[5]]
    answer = client.post(f"{at}/answers", json={"clip": seeded.clips[1]})
    assert answer.status_code == 201
    assert client.get(f"{at}/standing").json()["status"] == "covered"
    found = client.get(f"{API}/clips", params={"q": "wish:W1 has:wish"}).json()
    assert [one["id"] for one in found["items"]] == [seeded.clips[1]]
    moment = post(client, f"clips/{seeded.clips[5]}/moments", **{"in": 0, "out": 50})
    post(client, f"wishes/{wish['id']}/answers", moment=moment["id"], state="refused")
    listed = client.get(f"{at}/answers").json()["items"]
    assert [(one["clip"], one["moment"], one["state"]) for one in listed] == [
        (seeded.clips[1], None, "confirmed"), (None, moment["id"], "refused"),
    ]  # fmt: skip
    gone = f"{API}/answers/{listed[0]['id']}"
    check_problem(delete(client, gone, None), 428)
    assert delete(client, gone, answer.headers["etag"]).status_code == 204
    check_problem(client.post(f"{at}/answers", json={}), 422)
    check_problem(client.post(f"{at}/answers", json={"clip": 999_999}), 404)


def test_narration_is_timed(client: TestClient, seeded: Seeded) -> None:
    """100 words at 150 a minute are 40 s; once a line is recorded the others follow its pace."""
    long = post(client, "narration", text="word " * 100)
    assert (long["code"], long["words"], long["seconds"], long["recorded"]) == ("N1", 100, 40.0, False)
    post(client, "narration", text="word " * 10, recorded_seconds=5)
    read = client.get(f"{API}/narration/{long['id']}")
    assert read.json()["seconds"] == 50.0, "120 words a minute"
    tag = read.headers["etag"]
    at = f"{API}/narration/{long['id']}"
    slow = client.patch(at, json={"recorded_seconds": 45.5}, headers={"If-Match": tag})
    assert (slow.json()["seconds"], slow.json()["recorded"]) == (45.5, True)
    assert delete(client, at, slow.headers["etag"]).status_code == 204


def test_a_plan_comes_in_as_text(client: TestClient, seeded: Seeded) -> None:
    text = "## The machine\n> It pulls itself along.\n- must: chain over the gear | size=cu day=1\n"
    assert post(client, "plan", name="plan.md", text=text)["added"] == ["N1", "W1"]
    again = post(client, "plan", name="plan.md", text=text)
    assert (again["added"], again["same"], again["edit"]) == ([], 2, None)
    problem = check_problem(client.post(f"{API}/plan", json={"text": "- x | size=huge"}), 422)
    assert "line 1" in problem["detail"]
    state = client.get(f"{API}/plan").json()
    assert state["wishes"][0]["status"] == "damaged", "the only clip is NG"
    assert state["narration"][0]["wishes"] == ["W1"]


def test_coverage_wrap_and_thresholds(client: TestClient, seeded: Seeded) -> None:
    post(client, "wishes", what="bread", need="must", day=1)
    wrap = client.get(f"{API}/wrap", params={"day": 1}).json()
    assert [group["group"] for group in wrap["groups"]] == ["unsafe", "now", "damaged", "thin", "upkeep"]
    assert wrap["clips"] == 4 and "not legal advice" in wrap["caution"]
    now = {line["code"]: line for line in wrap["groups"][1]["lines"]}
    assert now["must-missing"]["name"] == "W1 bread" and now["release-missing"]["name"] == "Ada Wren"
    check_problem(client.get(f"{API}/wrap", params={"day": 9}), 404)
    cells = client.get(f"{API}/coverage").json()["cells"]
    assert sum(cell["clips"] for cell in cells) == 10
    listed = client.get(f"{API}/thresholds")
    tag = listed.headers["etag"]
    patch = {"values": {"wish-seconds": 9}}
    check_problem(client.patch(f"{API}/thresholds", json=patch), 428)
    changed = client.patch(f"{API}/thresholds", json=patch, headers={"If-Match": tag})
    assert {one["name"]: one["value"] for one in changed.json()["items"]}["wish-seconds"] == 9
    check_problem(client.patch(f"{API}/thresholds", json=patch, headers={"If-Match": tag}), 412)
    wrong = {"values": {"wish-second": 9}}
    check_problem(client.patch(f"{API}/thresholds", json=wrong, headers={"If-Match": "*"}), 422)
    assert "9 usable seconds" in str(client.get(f"{API}/wrap", params={"day": 1}).json())


def test_releases_are_noted_and_stand(client: TestClient, seeded: Seeded) -> None:
    made = client.post(f"{API}/releases", json={"who": "Ada Wren", "signed": "2026-05-01", "guardian": "G"})
    assert made.status_code == 201
    release = made.json()
    assert (release["standing"], release["kind"]) == ("cleared", "person")
    assert "no-store" in made.headers["cache-control"] and "not legal advice" in release["caution"]
    find = {"params": {"q": "has:release"}}
    assert client.get(f"{API}/clips", **find).json()["total"] == 2  # type: ignore[arg-type]
    at = f"{API}/releases/{release['id']}"
    check_problem(client.patch(at, json={"until": "2026-05-02"}), 428)
    ended = client.patch(at, json={"until": "2026-05-02"}, headers={"If-Match": made.headers["etag"]})
    assert ended.json()["standing"] == "expired"
    assert client.get(f"{API}/clips", **find).json()["total"] == 0  # type: ignore[arg-type]
    change = client.get(f"{API}/changes").json()["items"][0]["id"]
    shown = client.get(f"{API}/changes/{change}").text
    assert "until" in shown and "2026-05-02" not in shown, "the journal shows no personal data"
    check_problem(client.post(f"{API}/releases", json={"who": "X", "clips": [999_999]}), 404)
    assert delete(client, at, ended.headers["etag"]).status_code == 204


def test_who_may_only_read_the_log_sees_no_release(
    settings: Settings, catalogue: Sessions, seeded: Seeded
) -> None:
    assert scope_needed("GET", f"{API}/releases/1") is Scope.LOG
    assert scope_needed("GET", f"{API}/wrap") is Scope.READ
    reader = make_token(settings.home, "reader", [Scope.READ])
    lan = settings.model_copy(update={"host": "0.0.0.0"})
    with client_of(lan, catalogue, base="http://192.0.2.7:8640") as client:  # TEST-NET-1, RFC 5737
        head = {"Authorization": f"Bearer {reader}"}
        check_problem(client.get(f"{API}/releases", headers=head), 403)
        assert client.get(f"{API}/wishes", headers=head).status_code == 200


# -- the page ---------------------------------------------------------------------------------------


def test_the_wrap_page_says_what_the_report_says(client: TestClient, seeded: Seeded) -> None:
    post(client, "wishes", what="<script>bread</script>", need="must", day=1)
    page = client.get("/wrap", params={"day": 1})
    assert page.status_code == 200
    report = client.get(f"{API}/wrap", params={"day": 1}).json()
    assert page.text.count("<tr>") == sum(1 + len(g["lines"]) for g in report["groups"] if g["lines"])
    assert "<script>" not in page.text and "&lt;script&gt;bread" in page.text
    assert 'aria-current="page">Day 1<' in page.text and "not legal advice" in page.text
    assert client.get("/wrap").status_code == 200
    check_problem_page = client.get("/wrap", params={"day": 9}, headers={"accept": "text/html"})
    assert check_problem_page.status_code == 404


def test_an_empty_production_has_a_page_too(client: TestClient) -> None:
    client.post(f"{API}/productions", json={"name": "Low Tide", "zone": "UTC"})
    page = client.get("/wrap")
    assert page.status_code == 200 and page.text.count("Nothing.") == 5


@pytest.mark.parametrize("path", ["wishes/999", "narration/999", "releases/999", "wishes/999/standing"])
def test_what_is_not_there(client: TestClient, seeded: Seeded, path: str) -> None:
    check_problem(client.get(f"{API}/{path}"), 404)


def test_papers_are_given_out_by_no_address(client: TestClient, seeded: Seeded, settings: Settings) -> None:
    folder = Path(settings.home / "releases")
    folder.mkdir()
    (folder / "secret.pdf").write_bytes(b"%PDF signed")
    for path in ("/releases/secret.pdf", "/static/../releases/secret.pdf", f"{API}/releases/secret.pdf"):
        assert b"signed" not in client.get(path).content
