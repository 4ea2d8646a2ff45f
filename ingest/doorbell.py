"""Wake the watcher when a folder appears or goes, instead of at its next look.

Only a shortcut. That something was mounted on an existing folder is no event to its parent on most
systems, and event watches can run out: whatever matters is found by looking, at a fixed interval.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType

from watchdog.events import DirCreatedEvent, DirDeletedEvent, DirMovedEvent, FileSystemEvent
from watchdog.events import FileSystemEventHandler as EventReceiver
from watchdog.observers import Observer
from watchdog.observers.api import ObservedWatch

Identity = tuple[int, int]
_SLICE_SECONDS = 0.1  # two events can't be waited for at once; this is how late a stop may be seen


def identity_of(path: Path) -> Identity | None:
    """Device and inode of what is at this path now, links not followed; None when nothing can be seen.

    Something mounted there, taken away or put in its place changes it.
    """
    try:
        found = os.lstat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


class Doorbell(EventReceiver):
    """Rings when a folder directly below one of these appears, goes or gets another name."""

    def __init__(self, folders: Iterable[Path], say: Callable[[str], None]) -> None:
        self._folders = tuple(folders)
        self._say = say
        self._rung = threading.Event()
        self._observer = Observer()
        self._watched: dict[Path, tuple[Identity, ObservedWatch | None]] = {}
        self._complained = False

    def __enter__(self) -> Doorbell:
        self._observer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._observer.stop()
        self._observer.join()

    def on_any_event(self, event: FileSystemEvent) -> None:
        self._rung.set()

    def attach(self) -> None:
        """Listen to folders that have appeared or been replaced since the last call."""
        for folder in self._folders:
            before, now = self._watched.get(folder), identity_of(folder)
            if (before and before[0]) == now:
                continue
            if before is not None:
                self._let_go(folder)
            if now is not None:
                self._watched[folder] = (now, self._listen(folder))

    def wait(self, seconds: float, stop: threading.Event) -> None:
        """Wait until something happens, the time is over, or `stop` is set."""
        end = time.monotonic() + seconds
        while not self._rung.is_set() and (left := end - time.monotonic()) > 0:
            if stop.wait(min(left, _SLICE_SECONDS)):
                return
        self._rung.clear()

    def _listen(self, folder: Path) -> ObservedWatch | None:
        kinds: list[type[FileSystemEvent]] = [DirCreatedEvent, DirDeletedEvent, DirMovedEvent]
        try:
            return self._observer.schedule(self, str(folder), event_filter=kinds)
        except OSError as error:
            if not self._complained:
                self._complained = True
                self._say(
                    f"This system gives no news of {folder} ({error.strerror}); it is looked at all the same."
                )
            return None

    def _let_go(self, folder: Path) -> None:
        _, watch = self._watched.pop(folder)
        if watch is not None:
            self._observer.unschedule(watch)
