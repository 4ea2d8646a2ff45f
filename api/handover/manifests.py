"""Copies of the reels' hash lists, exactly as they stand beside the footage."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from api.handover.folder import Draft
from api.handover.places import Place
from api.handover.profile import Profile
from api.handover.shots import Handover
from api.handover.text import one_line
from shared.models import Reel

FOLDER = "manifests"
HISTORY = "ascmhl"  # ASC MHL 1.0, 5.2: the folder at the root of what it covers


@dataclass(frozen=True, slots=True)
class ReelManifests:
    """What was found for one reel: the place the lists came from, or None, and how many files."""

    reel: str
    folder: str  # below the hand-over
    place: Place | None
    files: int
    withheld: bool = False  # it names what the profile leaves out


def copy_manifests(
    draft: Draft, handover: Handover, places: Mapping[int, Place]
) -> tuple[ReelManifests, ...]:
    """Copy each reel's hash lists from the first destination where they can be read whole."""
    reels = {shot.clip.reel_id: shot.clip.reel for shot in handover.shots}
    found: list[ReelManifests] = []
    for reel in sorted(reels.values(), key=lambda reel: reel.name):
        folder = f"{FOLDER}/{_folder_name(reel, {one.folder for one in found})}"
        holders = _holders(handover, reel, places)
        place, files = next(
            ((place, files) for place in holders if (files := _read_history(place, reel))), (None, {})
        )
        withheld = any(_tells(handover.profile, data) for data in files.values())
        if withheld:
            files = {}
        for name, data in files.items():
            draft.write(f"{folder}/{name}", data)
        found.append(ReelManifests(one_line(reel.name), folder, place, len(files), withheld))
    return tuple(found)


def _tells(profile: Profile, data: bytes) -> bool:
    """Whether a list says who made it or where (ASC MHL 1.0: creatorinfo). It can't be changed: other lists
    hold its hash."""
    told = ((profile.contacts, rb"author"), (profile.places, rb"location"))
    return any(left_out and re.search(rb"<(?:[\w.-]+:)?" + tag + rb"[\s>/]", data) for left_out, tag in told)


def _folder_name(reel: Reel, taken: set[str]) -> str:
    """The reel's name, with anything a drive might refuse replaced."""
    base = re.sub(r"[^A-Za-z0-9_-]", "_", reel.name) or "_"
    return base if f"{FOLDER}/{base}" not in taken else f"{base}_{reel.id}"


def _holders(handover: Handover, reel: Reel, places: Mapping[int, Place]) -> list[Place]:
    """The reachable places that hold copies of this reel, in order."""
    ids = {
        copy.destination_id
        for shot in handover.shots
        if shot.clip.reel_id == reel.id
        for row in shot.clip.files
        for copy in row.file.copies
    }
    return [place for key, place in places.items() if key in ids and place.reachable]


def _read_history(place: Place, reel: Reel) -> dict[str, bytes]:
    """The files of a reel's history by name, plain files only; empty where any can't be read."""
    history = place.root / reel.folder / HISTORY
    try:
        names = sorted(entry.name for entry in os.scandir(history) if entry.is_file(follow_symlinks=False))
        return {name: _read_plain(history / name) for name in names if _is_safe(name)}
    except OSError:
        return {}


def _is_safe(name: str) -> bool:
    """Ours are; what somebody else put beside them under an odd name is left there."""
    return re.fullmatch(r"[\w][\w .()+-]*", name) is not None and not name.endswith((".", " "))


def _read_plain(path: Path) -> bytes:
    """A file's bytes, never through a link that took its place after it was listed."""
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with open(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(f"{path} is no plain file")
        return file.read()
