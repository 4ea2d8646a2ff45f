"""Send a part of a file without holding more than a piece of it, and let go of it whatever happens."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator, Mapping

import anyio
from anyio import to_thread
from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from shared.errors import DestinationGoneError

PIECE = 256 * 1024
# A drive that stands still may hold so many threads and no more; the rest of the service has its own.
MOST_READERS = 16


class FilePart(StreamingResponse):
    """`length` bytes of an open file, from `start` on. The handle is closed at the end, or when the caller
    goes away before it. Raises DestinationGoneError when the drive does not give them: the head is gone by
    then, so the connection is broken off and the caller sees that bytes are missing.
    """

    def __init__(
        self,
        handle: int,
        start: int,
        length: int,
        *,
        readers: anyio.CapacityLimiter,
        status: int,
        media_type: str,
        headers: Mapping[str, str],
    ) -> None:
        self._file = os.fdopen(handle, "rb", buffering=0)
        self._readers = readers
        super().__init__(
            self._pieces(start, length), status, {**headers, "Content-Length": str(length)}, media_type
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._file.close()

    async def _pieces(self, start: int, length: int) -> AsyncIterator[bytes]:
        at, end = start, start + length
        while at < end:
            # Waiting for a stuck drive must not keep the caller's leaving from being noticed, nor may the
            # handle be closed while a thread reads from it: so it is not abandoned.
            piece = await to_thread.run_sync(self._read, at, min(PIECE, end - at), limiter=self._readers)
            at += len(piece)
            yield piece

    def _read(self, at: int, length: int) -> bytes:
        try:
            piece = os.pread(self._file.fileno(), length, at)
        except OSError as error:
            raise DestinationGoneError(f"a copy can't be read any more: {error.strerror}") from error
        if not piece:
            raise DestinationGoneError("a copy is shorter than it was when it was opened")
        return piece
