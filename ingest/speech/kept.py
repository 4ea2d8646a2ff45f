"""What a run has understood so far, on the medium: a line a window, added and synced one at a time."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of a clip in microseconds, and its words: start, end, text, confidence."""

    start: int
    end: int
    words: tuple[tuple[int, int, str, float], ...]


class Kept:
    """The file of one clip and one model. `whole`: nothing is left to listen to."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.whole = False

    def read(self) -> list[Window]:
        """Every window in order. A line that a kill has torn, and all after it, is taken off the file."""
        try:
            content = self._path.read_bytes()
        except FileNotFoundError:
            return []
        found: list[Window] = []
        sound = 0
        for line in content.splitlines(keepends=True):
            try:
                if not line.endswith(b"\n"):
                    break
                words = json.loads(line)
                if words == {"whole": True}:
                    self.whole = True
                else:
                    window = Window(words["from"], words["to"], tuple(map(tuple, words["words"])))
                    if window.start != (found[-1].end if found else 0):
                        break
                    found.append(window)
            except (ValueError, KeyError, TypeError):
                break
            sound += len(line)
        if sound < len(content):
            os.truncate(self._path, sound)
        return found

    def add(self, window: Window) -> None:
        self._append({"from": window.start, "to": window.end, "words": window.words})

    def finish(self) -> None:
        self._append({"whole": True})
        self.whole = True

    def _append(self, words: object) -> None:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with self._path.open("ab") as file:
            file.write(json.dumps(words).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
