"""What the service says of its own work: lines for people or for programs, each with its request's id.

A line holds no secret and no place on this machine: tokens, passwords and the folders of the settings
stand as their names, and a traceback names modules, not files.
"""

from __future__ import annotations

import json
import logging
import re
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, TextIO

from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from shared.settings import Settings

# The request that is being answered in this task or thread; empty outside of any.
current_request: ContextVar[str] = ContextVar("current_request", default="")

_LOGGERS = ("rushlight", "uvicorn")
_FACTS = ("method", "path", "status", "ms", "client", "caller")
_LINE_BREAKS = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


class Redaction:
    """Takes out of a text what no log should hold."""

    def __init__(self, settings: Settings) -> None:
        hidden = {settings.token.strip(): "TOKEN", _password(settings.database): "PASSWORD"}
        places = {settings.home: "HOME", Path.home(): "~"}
        places |= {path: f"DESTINATION {name}" for name, path in settings.destinations.items()}
        places |= dict.fromkeys(settings.watch_folders, "WATCH FOLDER")
        hidden |= {str(path): f"<{name}>" for path, name in places.items() if len(path.parts) > 1}
        # The longest first: one folder may stand below another.
        self._hidden = sorted(((k, v) for k, v in hidden.items() if k), key=lambda pair: -len(pair[0]))

    def __call__(self, text: str) -> str:
        for secret, name in self._hidden:
            text = text.replace(secret, name)
        return text


def _password(database: str) -> str:
    try:
        return make_url(database).password or ""
    except ArgumentError:
        return ""


class Lines(logging.Formatter):
    """One record as one line: JSON (RFC 8259) for programs, or text for people."""

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._redact = Redaction(settings)
        self._as_json = settings.log_form == "json"

    def format(self, record: logging.LogRecord) -> str:
        values = self._values(record)
        if self._as_json:
            return json.dumps(values, ensure_ascii=True)
        text = f"{values['at']} {values['level']} {values.get('request', '-')} {values['message']}"
        # A name from a card or an address may try to begin a line of its own.
        lines = [text, *values.get("trace", ())]
        return "\n  ".join(_LINE_BREAKS.sub(lambda found: f"\\u{ord(found[0]):04x}", one) for one in lines)

    def _values(self, record: logging.LogRecord) -> dict[str, Any]:
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        values: dict[str, Any] = {
            "at": at.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": self._redact(record.getMessage()),
        }
        request = getattr(record, "request", "") or current_request.get()
        if request:
            values["request"] = request
        values |= {name: getattr(record, name) for name in _FACTS if hasattr(record, name)}
        if record.exc_info and record.exc_info[1] is not None:
            values["trace"] = [self._redact(line) for line in _trace(record.exc_info[1])]
        return values


def _trace(error: BaseException) -> list[str]:
    """The error and what led to it, innermost call last, without source lines or file names."""
    lines = []
    if error.__cause__ is not None:
        lines = [*_trace(error.__cause__), "which led to"]
    lines += _frames(error.__traceback__)
    # A statement's error repeats its parameters, which are what people wrote.
    text = str(error.orig) if isinstance(error, DBAPIError) else str(error)
    return [*lines, f"{type(error).__name__}: {text}"]


def _frames(tb: TracebackType | None) -> list[str]:
    return [
        f"{frame.f_globals.get('__name__', '?')}:{line} in {frame.f_code.co_name}"
        for frame, line in traceback.walk_tb(tb)
    ]


@contextmanager
def logging_to(stream: TextIO, settings: Settings) -> Iterator[None]:
    """Send the service's and the server's lines there, as the settings say."""
    handler = logging.StreamHandler(stream)
    handler.setFormatter(Lines(settings))
    loggers = [logging.getLogger(name) for name in _LOGGERS]
    before = [(one.handlers[:], one.level, one.propagate) for one in loggers]
    for one in loggers:
        one.handlers, one.propagate = [handler], False
        # The server's own "started" and "finished" are said in words of ours.
        quiet = one.name == "uvicorn" and settings.log_level == "info"
        one.setLevel("WARNING" if quiet else settings.log_level.upper())
    try:
        yield
    finally:
        for one, (handlers, level, propagate) in zip(loggers, before, strict=True):
            one.handlers, one.propagate = handlers, propagate
            one.setLevel(level)
