"""The OpenAPI document, complete enough to make a client from: errors included."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

from api.errors import PROBLEM_TYPE
from api.guard import OPEN_PATHS, SAFE_METHODS
from api.openapi_examples import add_examples, problem_example
from api.schemas.service import Problem
from api.tokens import scope_needed

TITLE = "Rushlight"
VERSION = "1"
_DESCRIPTION = """
What was shot, what is safe, and what people say of it.

- Every error is a problem detail (RFC 9457) with a `remedy`.
- Lists are paged by key: follow `next` until it is null. `fields=` leaves out what is not named.
- HEAD is answered wherever GET is.
- Every answer has an `X-Request-Id`: the caller's own if it sent one of 8 to 64 letters, digits, `.`, `_`
  and `-`, else a new one. The service's log has it in every line.
- Edits need `If-Match` with the ETag that was read.
- Cards and destinations are named by ids and names, never by paths. Nothing here erases media.
- Copying is done by a worker: a POST answers 202, and `Location` says where to see how far it is.
"""
_TAGS = (
    ("productions", "One film or job."),
    ("days", "Shooting days with their goals."),
    ("kit", "Cameras, drones, recorders and lenses."),
    ("cards", "The physical media, and where one may be mounted now."),
    ("reels", "Fills of cards, and how their copies stand."),
    ("offloads", "Runs that copy a reel to its destinations."),
    ("clips", "Continuous recordings with their take facts and findings."),
    ("log", "What people say of clips, and the words for it."),
    ("sound", "Whose voice is on which channel, and which recording belongs to which picture."),
    ("plan", "What the film needs, what answers it, and what is missing."),
    ("outline", "The paper edit: items in order, running time, notices, shape and versions."),
    ("releases", "Permissions of people, places and works. Never legal advice."),
    ("stills", "Pictures taken from clips."),
    ("hand-overs", "Folders for an editor."),
    ("requests", "What the worker was asked to do."),
    ("service", "The service itself."),
)
# What may come back from anywhere; a route declares what is its own.
_ALWAYS = (400, 421, 500, 503)
_WITH_INPUT = (422,)
_WITH_TOKEN = (401, 403, 429)
_WITH_BODY = (403, 408, 413, 415)


_PROBLEM_HEADERS = {
    401: {"WWW-Authenticate": "How to send a token."},
    415: {"Accept": "What would have been taken."},
    416: {"Content-Range": "How long the file is: `bytes */SIZE`."},
    429: {"Retry-After": "Seconds after which the next call is taken."},
}


def route_id(route: APIRoute) -> str:
    """Operation ids are the names of the functions, which are unique: `list_clips`."""
    return route.name


def describe_on(app: FastAPI) -> None:
    """Let the application give this document; it is made once."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = _make_document(app)
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]


def _make_document(app: FastAPI) -> dict[str, Any]:
    document = get_openapi(
        title=TITLE,
        version=VERSION,
        description=_DESCRIPTION,
        routes=app.routes,
        tags=[{"name": name, "description": text} for name, text in _TAGS],
    )
    parts = document.setdefault("components", {})
    schemas = parts.setdefault("schemas", {})
    for framework_shape in ("HTTPValidationError", "ValidationError"):
        schemas.pop(framework_shape, None)
    schemas["Problem"] = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    parts["securitySchemes"] = {
        "token": {
            "type": "http",
            "scheme": "bearer",
            "description": "Needed when the service listens beyond loopback. What stands beside it in an "
            "operation is the scope that the token must have.",
        }
    }
    document["security"] = [{}, {"token": []}]
    used: set[int] = set()
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            used |= _declare_problems(path, method.upper(), operation)
            _offer_selection(operation, schemas)
            add_examples(operation)
    parts["responses"] = {_name_of(status): _problem_response(status) for status in sorted(used)}
    return document


def _declare_problems(path: str, method: str, operation: dict[str, Any]) -> set[int]:
    """Give every error of an operation its one shape; return the statuses."""
    responses = operation["responses"]
    declared = {int(status) for status in responses if status.isdecimal() and int(status) >= 400}
    declared |= set(_ALWAYS)
    if path in OPEN_PATHS:
        operation["security"] = []
    else:
        operation["security"] = [{}, {"token": [scope_needed(method, path).value]}]
        declared |= set(_WITH_TOKEN)
    if operation.get("parameters") or "requestBody" in operation:
        declared |= set(_WITH_INPUT)
    if method not in SAFE_METHODS:
        declared |= set(_WITH_BODY)
    for status in sorted(declared):
        responses[str(status)] = {"$ref": f"#/components/responses/{_name_of(status)}"}
    return declared


def _name_of(status: int) -> str:
    return "".join(word.capitalize() for word in HTTPStatus(status).name.split("_"))


def _problem_response(status: int) -> dict[str, Any]:
    schema = {"$ref": "#/components/schemas/Problem"}
    return {
        "description": HTTPStatus(status).phrase,
        "headers": {
            name: {"description": text, "schema": {"type": "string"}}
            for name, text in _PROBLEM_HEADERS.get(status, {}).items()
        },
        "content": {PROBLEM_TYPE: {"schema": schema, "example": problem_example(status)}},
    }


def _offer_selection(operation: dict[str, Any], schemas: dict[str, Any]) -> None:
    """A list that takes `fields` may answer with items that have only some of their members."""
    if not any(one["name"] == "fields" for one in operation.get("parameters", ())):
        return
    content = operation["responses"]["200"]["content"]["application/json"]
    name = content["schema"]["$ref"].rpartition("/")[2]
    whole = schemas[name]
    item = whole["properties"]["items"]["items"]["$ref"].rpartition("/")[2]
    some = {key: value for key, value in schemas[item].items() if key != "required"}
    schemas[f"Some_{item}"] = some | {"title": f"Some_{item}"}
    items = whole["properties"]["items"] | {"items": {"$ref": f"#/components/schemas/Some_{item}"}}
    schemas[f"Some_{name}"] = whole | {
        "title": f"Some_{name}",
        "properties": whole["properties"] | {"items": items},
    }
    content["schema"] = {"anyOf": [content["schema"], {"$ref": f"#/components/schemas/Some_{name}"}]}
