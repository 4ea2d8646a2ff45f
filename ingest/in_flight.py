"""A file between the card and its copies: what the reader, the hasher, the writers and the settlers share."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

from ingest.tasks import Task
from shared.errors import AppError


def _closed_gate() -> threading.Lock:
    gate = threading.Lock()
    gate.acquire()
    return gate


@dataclass(slots=True, eq=False)
class InFlight:
    """A file on its way; `number` is that of its task. The hasher sets its digest, or the error that
    makes it worthless, once."""

    number: int
    task: Task
    second_digest: str | None = None
    digest: str | None = None
    error: AppError | None = None
    # Thousands are on their way at once: a lock, held until the source has ended, is the smallest of gates.
    _gate: threading.Lock = field(default_factory=_closed_gate)

    def source_ended(self, digest: str | None, error: AppError | None) -> None:
        self.digest, self.error = digest, error
        self._gate.release()

    def wait(self) -> str:
        """The digest of what was read from the card. Raises what went wrong with the reading."""
        with self._gate:
            pass
        if self.error is not None:
            raise self.error
        assert self.digest is not None, "a source that ended without error has a digest"
        return self.digest
