"""Answers kept as long as they are true: until anything at all is committed to the catalogue."""

from __future__ import annotations

import threading
from collections import OrderedDict

from shared.db import Sessions
from shared.standing import Standing

MOST_BYTES = 16 * 2**20


class Answers:
    """Bodies by question, the least recently asked for given up first.

    A body is kept under the standing that the catalogue had before it was read, so it is given out only while
    nothing has been committed since, by this process or another.
    """

    def __init__(self, sessions: Sessions, most_bytes: int = MOST_BYTES) -> None:
        self._standing = Standing(sessions.kw["bind"])
        self._most = most_bytes
        self._lock = threading.Lock()
        self._of: object | None = None
        self._bodies: OrderedDict[str, bytes] = OrderedDict()
        self._bytes = 0

    def find(self, question: str) -> tuple[object | None, bytes | None]:
        """How the catalogue stands, to be handed to `keep`, and the body of this question if there is one."""
        now = self._standing.read()
        with self._lock:
            if now != self._of:
                self._of, self._bytes = now, 0
                self._bodies.clear()
            body = self._bodies.get(question) if now is not None else None
            if body is not None:
                self._bodies.move_to_end(question)
            return now, body

    def keep(self, standing: object | None, question: str, body: bytes) -> None:
        """Keep what was read after `find` had given this standing; nothing, if it is another one by now."""
        with self._lock:
            if standing is None or standing != self._of or len(body) > self._most:
                return
            self._bytes += len(body) - len(self._bodies.pop(question, b""))
            self._bodies[question] = body
            while self._bytes > self._most:
                self._bytes -= len(self._bodies.popitem(last=False)[1])
