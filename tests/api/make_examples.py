"""Write the examples of the OpenAPI document: real answers of the service over the seeded catalogue.

Run it after a shape of the API has changed: `python -m tests.api.make_examples`. Times that are read from
the clock, and anything else that changes from run to run, stand as fixed values.
"""

from __future__ import annotations

import json
import re
import tempfile
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from shared.catalogue.pairs import store_pair
from shared.db import make_sessions, open_catalogue, writing
from shared.models import Clip, SyncMethod, SyncState
from tests.api.catalogue import Seeded, client_of, make_settings, seed
from tests.api.measured import measure_clip

TARGET = Path(__file__).parents[2] / "api" / "openapi_examples.json"
NOW = re.compile(r"20[0-9]{2}-[0-9]{2}-[0-9]{2}T[0-9:]+\.[0-9]+Z")
MOST_ITEMS = 1
CARD_ID = "3f9a0c1d2b4e5f60"
# The bodies that are sent, by operation id.
BODIES: dict[str, Any] = {
    "create_production": {
        "name": "Low Tide",
        "rate": "25",
        "zone": "Europe/London",
        "day_starts": "04:00",
        "language": "en",
    },
    "create_camera": {"letter": "C", "name": "Second camera", "kind": "camera", "zone_rule": "local"},
    "create_lens": {"name": "85 mm", "focal": "85", "aperture": "f/1.8"},
    "post_search": {"name": "the talks", "query": "kind:interview -rating:ng"},
    "put_day": {"date": "2026-05-03", "goal": "The last crossing before the tide turns."},
    "patch_log": {"rating": "circled", "note": "The chain sings here.", "people": ["Ada Wren"]},
    "request_offload": {
        "card": CARD_ID,
        "to": ["North", "South"],
        "camera": "A",
        "production": "the-chain-ferry",
    },
    "post_moment": {"in": 50, "out": 100, "name": "the gear takes the chain", "log": {"rating": "good"}},
    "patch_moment": {"out": 120},
    "put_transcript": {"text": "00:00:01 Ada: The chain holds.\n00:00:02 Ada: Yes.\n", "file_name": "a.txt"},
    "patch_cue": {"text": "The chain always holds.", "person": "Ada Wren"},
    "split_cue": {"words": 2},
    "patch_finding": {"dismissed": "The mist is meant to be soft."},
    "make_change": {"query": "kind:interview", "set": {"rating": "circled"}, "expect": 2},
    "take_suggestions": {"query": "day:1", "least": 0.8, "preview": True},
    "patch_tag": {"name": "ferry"},
    "patch_person": {"role": "keeps the ferry"},
    "patch_lens": {"max_aperture": "f/2"},
    "put_channel": {"microphone": "lav", "person": "Ada Wren"},
    "request_demo": {"action": "load"},
    "request_handover": {"query": "kind:interview -rating:ng", "production": "the-chain-ferry"},
    "post_wish": {
        "what": "The chain comes out of the water",
        "need": "must",
        "kind": "insert",
        "size": "cu",
        "beat": "The machine",
        "day": 2,
        "seconds": 8,
    },
    "patch_wish": {"place": "Bow, west side", "need": "should"},
    "post_answer": {"clip": 4, "state": "confirmed"},
    "post_line": {"text": "At 05:40 the ferry makes the first of its 212 crossings.", "beat": "Opening"},
    "patch_line": {"recorded_seconds": 6.2},
    "take_in_plan": {"name": "plan.md", "text": "## The tide\n- must: The tide board | size=insert day=2\n"},
    "patch_thresholds": {"values": {"wish-seconds": 8}},
    "post_release": {"who": "Ada Wren", "signed": "2026-05-02", "media": "all", "territory": "world"},
    "post_outline": {"name": "The film", "target_seconds": 1500},
    "patch_outline": {"target_seconds": 1440},
    "post_outline_version": {"name": "first assembly"},
    "post_outline_item": {
        "kind": "quote",
        "parts": [
            {"clip": 3, "in": 0, "out": 60, "speaker": "Ada Wren"},
            {"clip": 3, "in": 100, "out": 140, "speaker": "Ada Wren"},
        ],
    },
    "post_outline_cover": {"clip": 2, "in": 10, "out": 40, "at": 40},
    "patch_outline_item": {"place": 1, "note": "After the first crossing."},
    "patch_release": {"until": "2031-05-02"},
}
WITHOUT_BODY = {
    *("check_outline_item", "return_outline"),
    *("join_cue", "undo_change", "confirm_clip_pair", "request_preview"),
}
NEED_TAG = ("put_channel", "split_cue", "join_cue", "check_outline_item", "return_outline")
ORDER = ("put", "post", "patch", "get")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        recorded = record(Path(folder))
    TARGET.write_text(json.dumps(recorded, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    print(f"{TARGET.name}: {len(recorded)} operations")


def record(folder: Path) -> dict[str, dict[str, Any]]:
    """By operation id: what was sent, where there was a body, and the JSON that came back."""
    (folder / "media" / "A01").mkdir(parents=True)
    settings = make_settings(
        folder,
        watch_folders=[folder / "media"],
        destinations={"North": folder / "north", "South": folder / "south"},
    )
    engine = open_catalogue(settings.database_url)
    sessions = make_sessions(engine)
    seeded = seed(sessions, settings.stills_folder)
    with writing(sessions) as session:
        values = {"rate": 48_000, "offset_samples": -72_000, "drift_ppb": -11_400, "confidence": 0.86}
        ways = {"method": SyncMethod.SOUND, "state": SyncState.SUGGESTED}
        store_pair(session, seeded.clips[0], seeded.sound, overlap_ms=9400, **values, **ways)  # type: ignore[arg-type]
        measure_clip(session, session.get_one(Clip, seeded.clips[0]))
    with client_of(settings, sessions) as client:
        document = client.get("/api/v1/openapi.json").json()
        recorded = {}
        for method in ORDER:
            for path, operations in document["paths"].items():
                if method in operations:
                    name = operations[method]["operationId"]
                    example = _ask(client, seeded, method, path, operations[method])
                    if example:
                        recorded[name] = example
    engine.dispose()
    return {name: recorded[name] for name in sorted(recorded)}


def _ask(client: TestClient, seeded: Seeded, method: str, path: str, operation: Any) -> dict[str, Any]:
    name = operation["operationId"]
    number, id = 3 if method == "put" else 1, 3 if name == "undo_change" else 1
    values = {
        "production": seeded.slug,
        "number": number,
        "letter": "A",
        "id": id,
        "channel": 1,
        "sound": seeded.sound,
        "form": "vtt",
    }
    body = BODIES.get(name)
    if method != "get" and body is None and name not in WITHOUT_BODY:
        return {}
    sent = body
    if name == "request_offload" and body is not None:  # with the card that is there now
        sent = {**body, "card": client.get("/api/v1/card-folders").json()["items"][0]["id"]}
    headers = {"If-Match": "*"} if method == "patch" or name in NEED_TAG else {}
    # The production that is named, not the one that was made a moment ago.
    asked = [one["name"] for one in operation.get("parameters", ()) if one["in"] == "query"]
    query = {"production": seeded.slug} if "production" in asked else {}
    kind = {} if method == "get" else {"Content-Type": "application/json"}
    answer = client.request(method, path.format(**values), params=query, json=sent, headers=headers | kind)
    assert answer.is_success or "/files/" in path, f"{method} {path}: {answer.text}"
    example: dict[str, Any] = {} if body is None else {"request": body}
    if answer.headers["content-type"] == "application/json":
        example["response"] = _steady(answer.json())
    return example


def _steady(value: Any) -> Any:
    """Short lists, and nothing that changes from run to run."""
    if isinstance(value, dict):
        return {name: _steady(one) for name, one in value.items()}
    if isinstance(value, list):
        return [_steady(one) for one in value[:MOST_ITEMS]]
    if isinstance(value, str):
        steady = NOW.sub("2026-05-02T17:40:00Z", value)
        steady = re.sub(r"[?]v=[0-9a-f]{16}$", "?v=4a1d0d3f9b2c7e60", steady)
        return CARD_ID if re.fullmatch(r"[0-9a-f]{16}", steady) else steady  # it is made of a path
    return value


if __name__ == "__main__":
    main()
