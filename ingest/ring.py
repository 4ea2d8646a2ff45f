"""A ring of reused buffers between one reader and several consumers.

Memory is bounded by the ring whatever the card holds: a slow consumer makes the reader wait. Several
small files share one buffer, so that handing over costs little for each.
"""

from __future__ import annotations

import mmap
import queue
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Generic, TypeVar

T = TypeVar("T")


@dataclass(slots=True)
class Segment(Generic[T]):
    """A piece of one file: bytes `start` to `stop`, exclusive, of the chunk.

    `last` closes the file; `error` then says why it is not whole, or is None.
    """

    item: T
    start: int
    stop: int
    last: bool = False
    error: Exception | None = None


@dataclass(slots=True)
class Chunk(Generic[T]):
    """One filled buffer, handed to every consumer."""

    view: memoryview
    segments: list[Segment[T]] = field(default_factory=list)
    waiting: int = 0


class Ring(Generic[T]):
    """`count` page-aligned buffers of `size` bytes, handed to `consumers` queues in order."""

    def __init__(self, count: int, size: int, consumers: int) -> None:
        self.size = size
        self._memory = [mmap.mmap(-1, size) for _ in range(count)]
        self._views = [memoryview(memory) for memory in self._memory]
        self._free: queue.SimpleQueue[memoryview] = queue.SimpleQueue()
        for view in self._views:
            self._free.put(view)
        self.queues: Sequence[queue.SimpleQueue[Chunk[T] | None]] = [
            queue.SimpleQueue() for _ in range(consumers)
        ]
        self._lock = threading.Lock()

    def take(self) -> Chunk[T]:
        """The next empty buffer; waits until a consumer lets one go."""
        return Chunk(self._free.get())

    def give(self, chunk: Chunk[T]) -> None:
        """Hand a filled chunk to every consumer."""
        chunk.waiting = len(self.queues)
        for consumer in self.queues:
            consumer.put(chunk)

    def end(self) -> None:
        """No more chunks: each consumer is told once."""
        for consumer in self.queues:
            consumer.put(None)

    def release(self, chunk: Chunk[T]) -> None:
        with self._lock:
            chunk.waiting -= 1
            done = chunk.waiting == 0
        if done:
            self._free.put(chunk.view)

    def consume(self, number: int, work: Callable[[Chunk[T]], None]) -> None:
        """Pass every chunk of one queue to `work` and let it go.

        After an error the rest is still taken and let go, so that the reader never waits for ever; the
        error is raised at the end.
        """
        failure: BaseException | None = None
        while (chunk := self.queues[number].get()) is not None:
            try:
                if failure is None:
                    work(chunk)
            except BaseException as error:  # noqa: BLE001 - raised again in the thread that waits
                failure = error
            finally:
                self.release(chunk)
        if failure is not None:
            raise failure

    def close(self) -> None:
        """Give the memory back. All consumers must have ended."""
        for view in self._views:
            view.release()
        for memory in self._memory:
            # An error on its way up holds on to what it was about; the memory goes when that does.
            with suppress(BufferError):
                memory.close()
