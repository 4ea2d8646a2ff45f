"""Every error has one status and one shape: problem details, RFC 9457."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from typing import Any

import httpx2
import pytest
from starlette.testclient import TestClient

import api.app  # noqa: F401 - so that every class of the family is known
from api.errors import PROBLEMS, problem_of, problem_slug, status_of
from api.logs import logging_to
from shared.db import Sessions
from shared.errors import AppError, ChecksumMismatchError, NotFoundError, QueryError
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of


def family(error: type[AppError]) -> Iterator[type[AppError]]:
    yield error
    for child in error.__subclasses__():
        yield from family(child)


OURS = [one for one in family(AppError) if one.__module__.startswith(("shared.", "api.", "ingest."))]


def check_problem(answer: httpx2.Response, status: int) -> dict[str, Any]:
    """RFC 9457, 3.1: the members and the media type."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem: dict[str, Any] = answer.json()
    assert problem["status"] == status
    assert problem["type"] and problem["title"] and problem["detail"] and problem["instance"]
    return problem


@pytest.mark.parametrize("error", OURS, ids=lambda error: error.__name__)
def test_every_error_has_a_status_of_its_own(error: type[AppError]) -> None:
    assert error in PROBLEMS, f"{error.__name__} needs a row in api/errors.py"
    assert 400 <= status_of(error) < 600


def test_slugs_are_unique() -> None:
    slugs = [problem_slug(error) for error in PROBLEMS]
    assert len(set(slugs)) == len(slugs)


def test_an_error_nobody_listed_has_its_parents_status() -> None:
    class StrangeError(NotFoundError):
        pass

    assert status_of(StrangeError) == 404


def test_the_detail_names_the_file() -> None:
    error = ChecksumMismatchError("A001/C0001.MOV", algorithm="md5", expected="aa", found="bb")
    problem = problem_of(error)
    assert problem.detail.startswith("A001/C0001.MOV: md5 differs")
    assert problem.remedy is not None and "Run the offload again" in problem.remedy


def test_a_query_error_points_at_the_column() -> None:
    problem = problem_of(QueryError("no such field", query="kindd:x", column=0, remedy="Did you mean kind:?"))
    assert problem.as_json("/x") == {
        "type": "/problems/query",
        "title": "the query can't be read",
        "status": 422,
        "detail": "no such field",
        "instance": "/x",
        "remedy": "Did you mean kind:?",
        "query": "kindd:x",
        "column": 0,
    }


def test_no_such_address(client: TestClient) -> None:
    problem = check_problem(client.get("/api/v1/nothing"), 404)
    assert problem["type"] == "about:blank" and problem["instance"] == "/api/v1/nothing"


def test_no_such_method(client: TestClient) -> None:
    answer = client.patch("/api/v1/productions", json={})
    check_problem(answer, 405)
    assert answer.headers["allow"] == "GET, POST, HEAD"


@pytest.mark.parametrize("method", ["OPTIONS", "TRACE", "DELETE", "QUERY"])
def test_allow_names_what_the_address_has_and_not_one_of_its_routes(client: TestClient, method: str) -> None:
    """RFC 9110, 10.2.1, and 9.2.1: what is asked without a body is refused for its method alone."""
    answer = client.request(method, "/api/v1/days/1")
    check_problem(answer, 405)
    assert answer.headers["allow"] == "GET, PUT, HEAD"


def test_what_no_route_takes_is_refused_before_its_body_is_looked_at(client: TestClient) -> None:
    for method in ("POST", "PUT", "PATCH", "DELETE"):
        check_problem(client.request(method, "/api/v1/nothing", content=b"x" * 2_000_000), 404)
    check_problem(client.put("/api/v1/clips", content=b"x"), 405)
    check_problem(client.post("/api/v1/handovers", content=b"x"), 415)


@pytest.mark.parametrize(
    ("address", "body"),
    [
        ("productions", {"name": "x", "zone": "Europe/London", "drop_frame": 0}),
        ("productions", {"name": "x", "zone": "Europe/London", "day_starts": 14_400}),
        ("productions", {"name": "x", "zone": "Europe/London", "day_starts": "04:00:00Z"}),
        ("offloads", {"card": "3f9a0c1d2b4e5f60", "to": ["North"], "day": True}),
        ("offloads", {"card": "3f9a0c1d2b4e5f60", "to": ["North"], "day": "2"}),
    ],
)
def test_nothing_is_taken_for_something_else(client: TestClient, address: str, body: object) -> None:
    check_problem(client.post(f"/api/v1/{address}", json=body), 422)


def test_head_is_answered_wherever_get_is(client: TestClient, seeded: Seeded) -> None:
    """RFC 9110, 9.1: both are there everywhere; and 9.3.2: the same headers, no body."""
    for address in ("/api/v1/clips", "/days", "/static/rushlight.css", "/health", "/nothing"):
        got, head = client.get(address), client.head(address)
        assert (head.status_code, head.content) == (got.status_code, b"")
        assert head.headers["content-length"] == str(len(got.content))


def test_a_parameter_that_does_not_fit(client: TestClient, seeded: Seeded) -> None:
    problem = check_problem(client.get("/api/v1/clips?limit=0"), 422)
    assert problem["errors"] == [
        {"parameter": "limit", "detail": "Input should be greater than or equal to 1"}
    ]


def test_a_body_that_does_not_fit_is_pointed_into(client: TestClient) -> None:
    answer = client.post("/api/v1/productions", json={"name": "", "zone": "Europe/London", "colour": "x"})
    problem = check_problem(answer, 422)
    assert {error["pointer"] for error in problem["errors"]} == {"#/name", "#/colour"}


@pytest.mark.parametrize("body", ['{"name": ', "", "[" * 100_000, "\xff", "9" * 10_000])
def test_a_body_that_is_no_json(client: TestClient, body: str) -> None:
    answer = client.post(
        "/api/v1/productions",
        content=body.encode("latin-1"),
        headers={"Content-Type": "application/json"},
    )
    assert check_problem(answer, answer.status_code)["status"] in (400, 422)


@pytest.mark.parametrize("name", ["half \ud800 a pair", "a \x00 in it", "bell \x07"])
def test_text_that_no_database_can_keep(client: TestClient, name: str) -> None:
    problem = check_problem(post_text(client, {"name": name, "zone": "Europe/London"}), 422)
    assert problem["errors"][0]["pointer"] == "#/name"


def test_a_member_that_no_answer_can_keep(client: TestClient) -> None:
    check_problem(post_text(client, {"half \ud800": 1}), 422)


def post_text(client: TestClient, body: object) -> httpx2.Response:
    """With the escapes of JSON, which can spell what UTF-8 can't."""
    answer: httpx2.Response = client.post(
        "/api/v1/productions",
        content=json.dumps(body, ensure_ascii=True),
        headers={"Content-Type": "application/json"},
    )
    return answer


@pytest.mark.parametrize("id", [0, -1, 2**63, 10**30, "x", "1.5"])
def test_ids_that_no_database_has(client: TestClient, id: object) -> None:
    check_problem(client.get(f"/api/v1/clips/{id}"), 422)


def test_a_fault_of_ours_is_logged_and_not_shown(settings: Settings, catalogue: Sessions) -> None:
    with client_of(settings, catalogue, raises=False) as client:
        catalogue.configure(bind=None)  # a real fault: there is no database any more
        with logging_to(log := io.StringIO(), settings):
            answer = client.get("/api/v1/productions")
    problem = check_problem(answer, 500)
    assert problem["request_id"] == answer.headers["x-request-id"]
    assert answer.headers["x-content-type-options"] == "nosniff", "the guard covers faults too"
    assert "Traceback" not in answer.text and "sqlalchemy" not in answer.text.lower()
    assert problem["request_id"] in log.getvalue() and "UnboundExecutionError" in log.getvalue()


def test_a_person_is_shown_a_page(client: TestClient) -> None:
    answer = client.get("/clips/77", headers={"Accept": "text/html"})
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert "There is no clip 77" in answer.text
    check_problem(client.get("/clips/77", headers={"Accept": "application/json"}), 404)


def test_the_type_of_a_problem_can_be_read_up(client: TestClient) -> None:
    problem = check_problem(client.get("/api/v1/productions/nope"), 404)
    answer = client.get(problem["type"])
    assert answer.status_code == 200 and "There is no such thing" in answer.text
    for error in PROBLEMS:
        assert client.get(f"/problems/{problem_slug(error)}").status_code == 200
    check_problem(client.get("/problems/nonsense"), 404)
