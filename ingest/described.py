"""What was said of each media file of a reel, kept in a temporary file: a description is some thousand bytes,
and a card may hold a hundred thousand files."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Mapping

from ingest.media.facts import Described
from ingest.table import Numbers, OnDisk


class DescribedFiles(Mapping[bytes, Described]):
    """Descriptions by path, in the order of the paths; each is read anew when it is asked for.

    Any thread may add. Closing it takes the temporary file away.
    """

    def __init__(self) -> None:
        self._texts = OnDisk()
        self._number_of = Numbers()
        self._lock = threading.Lock()

    def add(self, path: bytes, described: Described) -> None:
        """Keep what was said of one file. Raises OSError where there is no room for it."""
        text = json.dumps(described.to_json()).encode("ascii")
        with self._lock:
            self._number_of.add(path, self._texts.append(text))

    def __len__(self) -> int:
        return len(self._number_of)

    def __iter__(self) -> Iterator[bytes]:
        return iter(self._number_of)

    def __contains__(self, path: object) -> bool:
        return path in self._number_of

    def __getitem__(self, path: bytes) -> Described:
        return Described.from_json(json.loads(self._texts[self._number_of[path]]))

    def close(self) -> None:
        self._texts.close()
