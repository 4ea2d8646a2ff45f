"""The selects as a timeline: what somebody marked or circled, in time order, and nothing else.

A moment is a select unless it, or its clip, is rated NG; a circled clip without such a moment is one as a
whole ("circled" is the choice itself: common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping

import opentimelineio as otio

from api.handover.folder import Draft
from api.handover.places import Place
from api.handover.shots import Handover, Shot
from api.handover.timeline import Stretch, make_timeline

SELECTS_NAME = "selects.otio"
_NG, _CIRCLED = "ng", "circled"


def write_selects(draft: Draft, handover: Handover, places: Mapping[int, Place]) -> None:
    """Write `selects.otio` as `timeline.otio` is written; nothing where there is no select."""
    timeline = make_timeline(handover, places, draft.root, select=stretches_of)
    if any(len(track) for track in timeline.tracks):
        text = otio.adapters.write_to_string(timeline, "otio_json")
        draft.write(SELECTS_NAME, text.encode("utf-8", "backslashreplace"))


def stretches_of(shot: Shot) -> list[Stretch]:
    """The selected stretches of a clip, in the clip's own units from its first; an end is exclusive."""
    rating = shot.entry.rating if shot.entry is not None else None
    if rating == _NG or not shot.clip.frames:
        return []
    marked = [
        (mark.moment.in_frame, min(mark.moment.out_frame, shot.clip.frames))
        for mark in shot.marks
        if mark.entry is None or mark.entry.rating != _NG
    ]
    found = [(first, end) for first, end in marked if 0 <= first < end]
    return found or ([(0, shot.clip.frames)] if rating == _CIRCLED else [])
