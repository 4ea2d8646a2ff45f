"""Examples in the OpenAPI document: real answers of the service over a small catalogue.

`openapi_examples.json` is made by `python -m tests.api.make_examples`; a test compares it with the schemas.
"""

from __future__ import annotations

import json
from functools import cache
from http import HTTPStatus
from importlib.resources import files
from typing import Any

from api.errors import PROBLEMS, problem_slug

# Parameters mean the same wherever they stand.
_PARAMETERS: dict[str, Any] = {
    "id": 1,
    "number": 1,
    "letter": "A",
    "channel": 1,
    "sound": 1,
    "production": "the-chain-ferry",
    "form": "vtt",
    "limit": 20,
    "range": "bytes=0-1023",
    "v": "4a1d0d3f9b2c7e60",
}
# The error that most often stands behind a status.
_USUAL = {
    401: "UnauthorizedError",
    403: "InsufficientScopeError",
    409: "ConflictError",
    422: "InvalidRequestError",
    503: "CatalogueError",
}


@cache
def _recorded() -> dict[str, dict[str, Any]]:
    """By operation id: `request`, the body that was sent; `response`, what came back."""
    text = files("api").joinpath("openapi_examples.json").read_text(encoding="utf-8")
    found: dict[str, dict[str, Any]] = json.loads(text)
    return found


def add_examples(operation: dict[str, Any]) -> None:
    """Put the examples of one operation in their places; what has none stays as it is."""
    for parameter in operation.get("parameters", ()):
        if parameter["name"] in _PARAMETERS and "example" not in parameter:
            parameter["example"] = _PARAMETERS[parameter["name"]]
    recorded = _recorded().get(operation["operationId"], {})
    if "request" in recorded and "requestBody" in operation:
        for content in operation["requestBody"]["content"].values():
            content["example"] = recorded["request"]
    for status, response in operation["responses"].items():
        content = response.get("content", {}).get("application/json")
        if content is not None and status.startswith("2") and "response" in recorded:
            content["example"] = recorded["response"]


def problem_example(status: int) -> dict[str, Any]:
    """A problem of this status, as `api/errors.py` words it."""
    named = {kind.__name__: kind for kind in PROBLEMS}
    kind = named.get(_USUAL.get(status, "")) or next(
        (one for one, (code, _) in PROBLEMS.items() if code == status), None
    )
    phrase = HTTPStatus(status).phrase
    return {
        "type": f"/problems/{problem_slug(kind)}" if kind is not None else "about:blank",
        "title": PROBLEMS[kind][1] if kind is not None else phrase,
        "status": status,
        "detail": "what is wrong with this very request stands here",
        "instance": "/api/v1/clips",
        "remedy": "What to do about it stands here.",
    }
