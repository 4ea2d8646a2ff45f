"""Where the copies of the clips are, and how a timeline names them.

A copy on the file system that also receives the hand-over is named relative to the hand-over's folder, so
that both can move together; any other by a `file:` URL (RFC 8089). Paths are percent-encoded byte by byte
(RFC 3986, 2.1), so a name that is not UTF-8 still leads to its file.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from urllib.parse import quote_from_bytes

from api.handover.shots import Shot
from shared.errors import UsageError
from shared.models import Copy, CopyState, Destination, File, Reel

# A copy that is known to be wrong or gone is never pointed at.
_USABLE = {CopyState.VERIFIED: 0, CopyState.WRITTEN: 1}


@dataclass(frozen=True, slots=True)
class Place:
    """One destination as it is found now. `device` is None when it is not reachable. `seen_as`: where the
    person who opens the hand-over has it, if that is another path."""

    id: int
    name: str
    root: Path
    device: int | None
    seen_as: PurePath | None = None

    @property
    def reachable(self) -> bool:
        return self.device is not None


def look_at_places(shots: Iterable[Shot], media_roots: Mapping[str, PurePath]) -> dict[int, Place]:
    """The destinations that hold copies of these clips, by id, in order of id.

    `media_roots` maps a destination's name or path to an absolute path on the editor's machine.
    Raises UsageError for a path there that is not absolute.
    """
    for name, root in media_roots.items():
        if not root.is_absolute():
            raise UsageError(
                f"{name} is to be found at a path that is not absolute",
                path=str(root),
                remedy="Give the whole path, as the editor's machine has it.",
            )
    found: dict[int, Destination] = {}
    for shot in shots:
        for row in shot.clip.files:
            for copy in row.file.copies:
                found[copy.destination_id] = copy.destination
    return {key: _look_at(one, media_roots) for key, one in sorted(found.items())}


def _look_at(destination: Destination, media_roots: Mapping[str, PurePath]) -> Place:
    root = Path(destination.path)
    name = destination.name or root.name
    return Place(
        destination.id,
        name,
        root,
        _device_of(root),
        media_roots.get(destination.path) or media_roots.get(name),
    )


def _device_of(folder: Path) -> int | None:
    try:
        return folder.stat().st_dev if folder.is_dir() else None
    except OSError:
        return None


def path_below(reel: Reel, file: File) -> bytes:
    """A copy's path relative to the root of each destination, exactly as the file system has it."""
    return b"/".join(part for part in (os.fsencode(reel.folder).strip(b"/"), file.path_bytes) if part)


def choose_copy(reel: Reel, file: File, places: Mapping[int, Place]) -> Place | None:
    """The copy to point at: verified before merely written, then one whose file is there now.

    None when there is no copy, or only such as are known to differ or to be missing.
    """

    def rank(copy: Copy) -> tuple[int, bool, bool, int]:
        place = places[copy.destination_id]
        there = place.reachable and os.path.lexists(os.fsencode(place.root) + b"/" + path_below(reel, file))
        return _USABLE[copy.state], place.seen_as is None, not there, copy.destination_id

    usable = [copy for copy in file.copies if copy.state in _USABLE]
    return places[min(usable, key=rank).destination_id] if usable else None


def media_url(place: Place, below: bytes, folder: Path) -> str:
    """The URL by which a file in `folder` names the copy at `below` under the place's root."""
    if place.seen_as is not None:
        return f"{place.seen_as.as_uri().removesuffix('/')}/{quote_from_bytes(below)}"
    path = os.fsencode(place.root.resolve()) + b"/" + below
    here = folder.resolve()
    if place.device is not None and place.device == _device_of(here):
        return quote_from_bytes(os.path.relpath(path, os.fsencode(here)))
    return "file://" + quote_from_bytes(path)
