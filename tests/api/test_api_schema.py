"""The OpenAPI document: complete, valid, and what the service really answers."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import jsonschema  # type: ignore[import-untyped]
import pytest
from starlette.testclient import TestClient

from api.errors import PROBLEM_TYPE
from shared.db import Sessions, make_engine, make_sessions
from shared.query_fields import TERM_FIELDS, TEXT_FIELDS
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of, make_settings, put_copy

ALSO_PROBLEMS = {"400", "421", "500", "503"}


@pytest.fixture(scope="module")
def document(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the service says of itself, whatever stands in the catalogue."""
    folder = tmp_path_factory.mktemp("document")
    engine = make_engine(f"sqlite:///{shutil.copyfile(migrated_file, folder / 'catalogue.sqlite')}")
    with client_of(make_settings(folder), make_sessions(engine)) as client:
        answer = client.get("/api/v1/openapi.json")
    engine.dispose()
    assert answer.status_code == 200
    document: dict[str, Any] = answer.json()
    return document


def operations(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield method, path, operation


def follow(document: dict[str, Any], value: dict[str, Any]) -> dict[str, Any]:
    """What a reference points at."""
    while "$ref" in value:
        found: Any = document
        for part in value["$ref"].removeprefix("#/").split("/"):
            found = found[part]
        value = found
    return value


def test_every_operation_is_described(document: dict[str, Any]) -> None:
    for method, path, operation in operations(document):
        where = f"{method} {path}"
        assert operation["summary"] and operation["tags"], where
        assert set(operation["tags"]) <= {tag["name"] for tag in document["tags"]}, where
        success = [status for status in operation["responses"] if status.startswith("2")]
        assert success, where
        for status in success:
            content = operation["responses"][status].get("content", {})
            assert content or status == "204", where
            for media_type, body in content.items():
                assert body["schema"], f"{where} {status} {media_type}"
        for parameter in operation.get("parameters", ()):
            described = parameter.get("description") or parameter["schema"].get("description")
            assert described or parameter["in"] == "path", f"{where} {parameter['name']}"


def test_every_operation_declares_its_problems(document: dict[str, Any]) -> None:
    for method, path, operation in operations(document):
        problems = {status for status in operation["responses"] if status >= "400"}
        assert problems >= ALSO_PROBLEMS, path
        if "requestBody" in operation:
            assert problems >= {"403", "413", "415", "422"}, path
        if "{" in path:
            assert {"404", "422"} <= problems, path
        if method in ("patch", "put"):
            assert {"412", "428"} <= problems, path
        for status in problems:
            response = follow(document, operation["responses"][status])
            assert list(response["content"]) == [PROBLEM_TYPE], path
            schema = follow(document, response["content"][PROBLEM_TYPE]["schema"])
            assert {"type", "title", "status", "detail"} <= set(schema["required"])


def test_operation_ids_are_readable_and_unique(document: dict[str, Any]) -> None:
    ids = [operation["operationId"] for _, _, operation in operations(document)]
    assert len(set(ids)) == len(ids)
    assert all(re.fullmatch(r"[a-z]+(_[a-z]+)+", one) for one in ids), ids


def test_operation_ids_stay_the_same(document: dict[str, Any]) -> None:
    """Generated clients name their functions by them: a change here breaks somebody's program."""
    found = {f"{method.upper()} {path}": op["operationId"] for method, path, op in operations(document)}
    assert found == {
        "GET /api/v1/health": "read_health",
        "GET /api/v1/ready": "read_readiness",
        "GET /api/v1/productions": "list_productions",
        "POST /api/v1/productions": "create_production",
        "GET /api/v1/productions/{production}": "read_production",
        "GET /api/v1/days": "list_days",
        "GET /api/v1/days/{number}": "read_day",
        "PUT /api/v1/days/{number}": "put_day",
        "GET /api/v1/cameras": "list_cameras",
        "POST /api/v1/cameras": "create_camera",
        "GET /api/v1/cameras/{letter}": "read_camera",
        "GET /api/v1/lenses": "list_lenses",
        "POST /api/v1/lenses": "create_lens",
        "GET /api/v1/cards": "list_cards",
        "GET /api/v1/card-folders": "list_card_folders_now",
        "GET /api/v1/destinations": "list_destinations",
        "GET /api/v1/reels": "list_reels",
        "GET /api/v1/reels/{id}": "read_reel",
        "GET /api/v1/offloads": "list_offloads",
        "POST /api/v1/offloads": "request_offload",
        "GET /api/v1/offloads/{id}": "read_offload",
        "GET /api/v1/offloads/{id}/report.html": "read_report_page",
        "GET /api/v1/offloads/{id}/report.pdf": "read_report_pdf",
        "GET /api/v1/clips": "list_clips",
        "GET /api/v1/clips/facets": "read_facets",
        "GET /api/v1/clips/{id}": "read_one_clip",
        "GET /api/v1/searches": "list_searches",
        "POST /api/v1/searches": "post_search",
        "DELETE /api/v1/searches/{id}": "delete_search",
        "GET /api/v1/clips/{id}/log": "read_log",
        "PATCH /api/v1/clips/{id}/log": "patch_log",
        "GET /api/v1/clips/{id}/moments": "list_clip_moments",
        "POST /api/v1/clips/{id}/moments": "post_moment",
        "GET /api/v1/tags": "list_tags",
        "GET /api/v1/tags/{id}": "read_tag",
        "PATCH /api/v1/tags/{id}": "patch_tag",
        "GET /api/v1/people": "list_people",
        "GET /api/v1/people/{id}": "read_person",
        "PATCH /api/v1/people/{id}": "patch_person",
        "GET /api/v1/lenses/{id}": "read_lens",
        "PATCH /api/v1/lenses/{id}": "patch_lens",
        "GET /api/v1/clips/{id}/suggestions": "list_suggestions",
        "POST /api/v1/suggestions/accept": "take_suggestions",
        "GET /api/v1/clips/{id}/channels": "list_clip_channels",
        "PUT /api/v1/clips/{id}/channels/{channel}": "put_channel",
        "GET /api/v1/clips/{id}/pairs": "list_clip_pairs",
        "POST /api/v1/clips/{id}/pairs/{sound}/confirm": "confirm_clip_pair",
        "GET /api/v1/moments/{id}": "read_moment",
        "PATCH /api/v1/moments/{id}": "patch_moment",
        "DELETE /api/v1/moments/{id}": "delete_moment",
        "GET /api/v1/clips/{id}/transcript": "read_transcript",
        "GET /api/v1/clips/{id}/transcript.{form}": "read_transcript_text",
        "PUT /api/v1/clips/{id}/transcript": "put_transcript",
        "DELETE /api/v1/clips/{id}/transcript": "delete_transcript",
        "GET /api/v1/cues/{id}": "read_one_cue",
        "PATCH /api/v1/cues/{id}": "patch_cue",
        "POST /api/v1/cues/{id}/split": "split_cue",
        "POST /api/v1/cues/{id}/join": "join_cue",
        "GET /api/v1/changes": "list_changes",
        "POST /api/v1/changes": "make_change",
        "GET /api/v1/changes/{id}": "read_change",
        "POST /api/v1/changes/{id}/undo": "undo_change",
        "GET /api/v1/wishes": "list_wishes",
        "POST /api/v1/wishes": "post_wish",
        "GET /api/v1/wishes/{id}": "read_one_wish",
        "PATCH /api/v1/wishes/{id}": "patch_wish",
        "DELETE /api/v1/wishes/{id}": "delete_wish",
        "GET /api/v1/wishes/{id}/standing": "read_wish_standing",
        "GET /api/v1/wishes/{id}/answers": "list_answers",
        "POST /api/v1/wishes/{id}/answers": "post_answer",
        "DELETE /api/v1/answers/{id}": "delete_answer",
        "GET /api/v1/narration": "list_narration",
        "POST /api/v1/narration": "post_line",
        "GET /api/v1/narration/{id}": "read_line",
        "PATCH /api/v1/narration/{id}": "patch_line",
        "DELETE /api/v1/narration/{id}": "delete_line",
        "GET /api/v1/wrap": "read_wrap_report",
        "GET /api/v1/coverage": "read_coverage",
        "GET /api/v1/plan": "read_plan_now",
        "POST /api/v1/plan": "take_in_plan",
        "GET /api/v1/thresholds": "list_thresholds",
        "PATCH /api/v1/thresholds": "patch_thresholds",
        "GET /api/v1/outlines": "list_outlines",
        "POST /api/v1/outlines": "post_outline",
        "GET /api/v1/outlines/{id}": "read_outline",
        "PATCH /api/v1/outlines/{id}": "patch_outline",
        "DELETE /api/v1/outlines/{id}": "delete_outline",
        "GET /api/v1/outlines/{id}/shape": "read_outline_shape",
        "GET /api/v1/outlines/{id}/versions": "list_outline_versions",
        "POST /api/v1/outlines/{id}/versions": "post_outline_version",
        "GET /api/v1/outlines/{id}/compare": "compare_outline",
        "POST /api/v1/outline-versions/{id}/return": "return_outline",
        "DELETE /api/v1/outline-versions/{id}": "delete_outline_version",
        "POST /api/v1/outlines/{id}/items": "post_outline_item",
        "GET /api/v1/outline-items/{id}": "read_outline_item",
        "PATCH /api/v1/outline-items/{id}": "patch_outline_item",
        "DELETE /api/v1/outline-items/{id}": "delete_outline_item",
        "POST /api/v1/outline-items/{id}/covers": "post_outline_cover",
        "POST /api/v1/outline-items/{id}/check": "check_outline_item",
        "GET /api/v1/releases": "list_releases",
        "POST /api/v1/releases": "post_release",
        "GET /api/v1/releases/{id}": "read_release",
        "PATCH /api/v1/releases/{id}": "patch_release",
        "DELETE /api/v1/releases/{id}": "delete_release",
        "GET /api/v1/clips/{id}/findings": "list_findings",
        "GET /api/v1/findings/{id}": "read_finding",
        "PATCH /api/v1/findings/{id}": "patch_finding",
        "GET /api/v1/clips/{id}/measures": "read_clip_measures",
        "GET /api/v1/files/{id}/content": "read_file_content",
        "POST /api/v1/files/{id}/preview": "request_preview",
        "GET /api/v1/stills/{id}": "read_still_image",
        "GET /api/v1/vocabulary": "read_vocabulary",
        "GET /api/v1/handovers": "list_handovers",
        "POST /api/v1/handovers": "request_handover",
        "GET /api/v1/requests": "list_requests",
        "GET /api/v1/requests/{id}": "read_request",
        "POST /api/v1/demo": "request_demo",
    }


def test_every_operation_has_an_example_that_fits(document: dict[str, Any]) -> None:
    """A new one gets it by `python -m tests.api.make_examples`, with its body named there."""
    for method, path, operation in operations(document):
        where = f"{method} {path}"
        bodies = [
            content
            for status, response in operation["responses"].items()
            for media_type, content in follow(document, response).get("content", {}).items()
            if media_type in ("application/json", PROBLEM_TYPE)
        ]
        for content in (*bodies, *operation.get("requestBody", {}).get("content", {}).values()):
            assert "example" in content, where
            schema = {**content["schema"], "components": document["components"]}
            jsonschema.Draft202012Validator(schema).validate(content["example"])
        for parameter in operation.get("parameters", ()):
            if "example" in parameter:
                schema = {**parameter["schema"], "components": document["components"]}
                jsonschema.Draft202012Validator(schema).validate(parameter["example"])
            else:
                assert not parameter.get("required"), f"{where} {parameter['name']}"


@pytest.mark.parametrize(
    "address",
    ["clips", "reels", "days", "cameras", "lenses", "productions", "offloads", "clips/4/findings",
     "destinations", "card-folders", "handovers", "requests", "wishes", "narration", "releases"],
)  # fmt: skip
def test_every_list_is_paged_by_key_and_gives_what_is_asked(
    client: TestClient, document: dict[str, Any], seeded: Seeded, settings: Settings, address: str
) -> None:
    """One by one along `next`, all of them come once; and `fields` leaves out the rest."""
    for card in ("A01", "B01"):
        (settings.watch_folders[0] / card).mkdir()
    for query in ("kind:interview", "kind:insert"):
        client.post("/api/v1/handovers", json={"query": query})
        client.post("/api/v1/wishes", json={"what": query})
        client.post("/api/v1/narration", json={"text": query})
        client.post("/api/v1/releases", json={"who": query})
        client.post("/api/v1/outlines", json={"name": query})
    address = f"/api/v1/{address}"
    whole = client.get(address, params={"limit": 500}).json()
    first = whole["items"][0]
    key = next(name for name in ("id", "number", "letter", "name") if name in first)
    at, found = f"{address}?{urlencode({'limit': 1, 'fields': key})}", []
    while at is not None:
        page = client.get(at).json()
        assert len(page["items"]) == 1
        found += page["items"]
        at = page["next"]
    assert found == [{key: item[key]} for item in whole["items"]]
    problem = client.get(address, params={"fields": f"{key},secret"})
    assert problem.status_code == 422 and problem.json()["errors"][0]["parameter"] == "fields"
    assert key in problem.json()["remedy"]


def test_each_operation_names_its_scope(document: dict[str, Any]) -> None:
    for method, path, operation in operations(document):
        if path.endswith(("/health", "/ready")):
            continue
        (scope,) = operation["security"][1]["token"]
        work = path.endswith(("/offloads", "/handovers"))
        private = path.startswith("/api/v1/releases")  # personal data
        read = "log" if private else "read"
        assert scope == (read if method == "get" else "offload" if work else "log"), path


def test_every_schema_is_a_schema(document: dict[str, Any]) -> None:
    """OpenAPI 3.1: schemas are those of JSON Schema draft 2020-12, whose meta-schema judges them."""
    assert document["openapi"].startswith("3.1.")
    for schema in document["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(schema)
    text = str(document)
    for name in re.findall(r"#/components/schemas/([A-Za-z0-9_]+)", text):
        assert name in document["components"]["schemas"]
    assert "HTTPValidationError" not in text


def test_what_the_service_answers_fits_its_schema(
    client: TestClient, document: dict[str, Any], seeded: Seeded, catalogue: Sessions, tmp_path: Path
) -> None:
    """Every GET, asked for real over the seeded catalogue."""
    client.post("/api/v1/handovers", json={"query": "kind:interview"})
    assert client.post("/api/v1/clips/1/moments", json={"in": 5, "out": 9}).status_code == 201
    for noun, body in (
        ("wishes", {"what": "the chain"}),
        ("wishes/1/answers", {"clip": 1}),
        ("narration", {"text": "At dawn."}),
        ("releases", {"who": "Ada Wren"}),
        ("outlines", {"name": "The film"}),
        ("outlines/1/versions", {"name": "rough"}),
        ("outlines/1/items", {"kind": "scene", "parts": [{"clip": 1}]}),
    ):
        assert client.post(f"/api/v1/{noun}", json=body).status_code == 201
    media = put_copy(catalogue, tmp_path / "north", b"moving pictures")
    talk = {"text": "00:00:01 Ada: The chain holds."}
    assert client.put("/api/v1/clips/1/transcript", json=talk).status_code == 201
    values = {"production": seeded.slug, "number": 1, "letter": "A", "form": "vtt"}
    asked = 0
    for method, path, operation in operations(document):
        if method != "get":
            continue
        id = seeded.offload if "offloads" in path else seeded.still if "stills" in path else 1
        address = path.format(**values, id=media if "files" in path else id)
        answer = client.get(address)
        assert answer.status_code == 200, f"{address}: {answer.text}"
        media_type = answer.headers["content-type"].partition(";")[0]
        schema = operation["responses"]["200"]["content"][media_type]["schema"]
        if media_type == "application/json":
            validator = jsonschema.Draft202012Validator(
                {**schema, "components": document["components"]},
                format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER,
            )
            validator.validate(answer.json())
        asked += 1
    assert asked >= 29


def test_a_problem_fits_its_schema(client: TestClient, document: dict[str, Any], seeded: Seeded) -> None:
    schema = {**document["components"]["schemas"]["Problem"], "components": document["components"]}
    queries = ["kind:nope", "kindd:x", '"open', "day:9"]
    addresses = [f"/api/v1/clips?{urlencode({'q': query})}" for query in queries]
    for address in (*addresses, "/api/v1/clips?limit=x", "/api/v1/nothing", "/api/v1/clips/99"):
        answer = client.get(address)
        assert answer.status_code >= 400
        jsonschema.Draft202012Validator(schema).validate(answer.json())


def test_the_log_has_every_field_of_the_vocabulary(document: dict[str, Any]) -> None:
    """A field added to the log must be readable and editable here too."""
    for name in ("LogEntry", "LogPatch"):
        fields = set(document["components"]["schemas"][name]["properties"])
        assert fields >= {*TERM_FIELDS, *TEXT_FIELDS, "tags", "people"}


def test_the_token_is_declared(document: dict[str, Any]) -> None:
    assert document["components"]["securitySchemes"]["token"]["scheme"] == "bearer"
    assert {"token": []} in document["security"]
    assert document["paths"]["/api/v1/health"]["get"]["security"] == []
