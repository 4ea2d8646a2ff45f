"""Work on one thing while the next is made: what makes them lets go of the interpreter, as decoders do."""

from __future__ import annotations

import queue
import threading
from collections.abc import Generator, Iterator
from typing import TypeVar

T = TypeVar("T")


def ahead(source: Iterator[T], most: int) -> Generator[T, None, None]:
    """What `source` gives, made by a thread of its own, at most `most` ahead. Close it when you break off.

    What `source` raises is raised here. It must not be used elsewhere before this is exhausted or closed.
    """
    waiting: queue.Queue[tuple[bool, T | BaseException | None]] = queue.Queue(most)
    stopped = threading.Event()

    def put(more: bool, thing: T | BaseException | None) -> bool:
        while not stopped.is_set():
            try:
                waiting.put((more, thing), timeout=0.1)
            except queue.Full:
                continue
            return True
        return False

    def work() -> None:
        try:
            for thing in source:
                if not put(True, thing):
                    return
        except BaseException as error:  # noqa: BLE001  # carried over to whoever waits
            put(False, error)
        else:
            put(False, None)

    worker = threading.Thread(target=work, name="ahead", daemon=True)
    worker.start()
    try:
        while True:
            more, thing = waiting.get()
            if more:
                yield thing  # type: ignore[misc]
            elif isinstance(thing, BaseException):
                raise thing
            else:
                return
    finally:
        stopped.set()
        worker.join()
