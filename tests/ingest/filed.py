"""Requests filed and looked up as the service does it, and a worker for them."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from ingest.worker import Handler, Worker
from shared.catalogue.requests import file_request
from shared.db import Sessions, reading, writing
from shared.models import Request, RequestKind
from shared.settings import Settings, load_settings

DEADLINE = 20.0  # seconds; only ever used up by a failure


def until(true: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + DEADLINE
    while not true():
        assert time.monotonic() < end, f"never came: {what}"
        time.sleep(0.01)


def settings_of(tmp_path: Path, **values: Any) -> Settings:
    return load_settings(
        **({"home": tmp_path / "home", "stale_seconds": 60.0, "poll_seconds": 0.05} | values)
    )


def ask(sessions: Sessions, order: Mapping[str, Any] | None = None, kind: str = "offload") -> int:
    with writing(sessions) as session:
        return file_request(session, RequestKind(kind), order or {}).id


def look_up(sessions: Sessions, request_id: int) -> Request:
    with reading(sessions) as session:
        found = session.get(Request, request_id)
        assert found is not None
        return found


def worker_of(
    sessions: Sessions, settings: Settings, handler: Handler, said: list[str] | None = None
) -> Worker:
    say = said.append if said is not None else lambda _: None
    return Worker(sessions, settings, {RequestKind.OFFLOAD: handler}, say)
