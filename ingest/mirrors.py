"""Reels that hold the same takes: a camera that wrote two cards at once, or a card offloaded under two names.

Pure. Name, timecode, length and the hashes of all picture and sound files must agree; a likeness is no proof.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.media.facts import NOTE, Noticed
from shared.names import fold

MIRROR_OF = "mirror-of"


@dataclass(frozen=True, slots=True)
class Twin:
    """A clip as it is compared. `digests`: algorithm and hash of each file; empty where one is not known."""

    clip_id: int
    reel: str
    path: str
    start_frame: int | None
    frames: int | None
    digests: tuple[tuple[str, str], ...]


def find_mirrors(twins: Sequence[Twin]) -> list[tuple[int, Noticed]]:
    """For each clip that an earlier one of another reel mirrors, what it is the mirror of."""
    groups: dict[object, list[Twin]] = defaultdict(list)
    for twin in sorted(twins, key=lambda one: one.clip_id):
        if twin.digests:
            name = fold(twin.path.rpartition("/")[2].encode("utf-8", "surrogateescape"))
            groups[(name, twin.start_frame, twin.frames, twin.digests)].append(twin)
    found: list[tuple[int, Noticed]] = []
    for first, *others in groups.values():
        found += [(twin.clip_id, _tell(twin, first)) for twin in others if twin.reel != first.reel]
    return found


def _tell(twin: Twin, first: Twin) -> Noticed:
    return Noticed(
        MIRROR_OF,
        NOTE,
        f"{twin.path} on reel {twin.reel} is {first.path} on reel {first.reel} once more: same name, "
        "timecode, length and bytes.",
        value=len(twin.digests),
        unit="files",
        rule="A take is on one reel, unless the camera wrote two cards at once.",
    )
