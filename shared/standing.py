"""Whether anything at all has been committed to the catalogue since somebody last looked.

SQLite counts for each connection what others commit (`PRAGMA data_version`, sqlite.org, "Pragma
statements"); a connection that is kept for this question alone and writes nothing sees every commit, whoever
made it, in this process or another. PostgreSQL tells which transactions a reader sees (manual, 9.27.8
"Transaction ID and Snapshot Information Functions"): two readers with the same snapshot see the same rows.
"""

from __future__ import annotations

import threading
import weakref
from collections.abc import Callable

from sqlalchemy import Engine, text

_IN_MEMORY = (None, "", ":memory:")


class Standing:
    """One question to one catalogue. What equals an earlier answer: nothing has been committed in between."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._lock = threading.Lock()
        self._ask: Callable[[], object] | None = None

    def read(self) -> object | None:
        """A value to compare. What is read from the catalogue afterwards is at least as new as it says.

        None: this catalogue can't tell, as it lives in memory and has one connection alone.
        """
        if self._engine.dialect.name != "sqlite":
            with self._engine.connect() as connection:
                snapshot: str | None = connection.scalar(text("SELECT pg_current_snapshot()::text"))
                return snapshot
        if self._engine.url.database in _IN_MEMORY:
            return None
        with self._lock:
            if self._ask is None:
                self._ask = self._make_question()
            return self._ask()

    def _make_question(self) -> Callable[[], object]:
        kept = self._engine.raw_connection()
        kept.detach()  # for good: in the pool it would be lent to somebody who writes
        weakref.finalize(self, kept.close)
        cursor = kept.cursor()

        def ask() -> object:
            cursor.execute("PRAGMA data_version")
            return cursor.fetchone()

        return ask
