"""An outline as plain values, the same for the command and the service."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from shared.outline.judge import Judgement
from shared.outline.model import Cover, Outline, Part
from shared.outline.running import Known, Layout, Placed, Segment
from shared.plan.coverage import seconds_json
from shared.timecode import Timecode


def outline_json(layout: Layout, judgement: Judgement) -> dict[str, Any]:
    """Everything of it: items in order with their places in running time, and the notices.

    `start`, `frames`, `at` count frames of the edit rate; `in` and `out` those of each clip, out exclusive.
    """
    outline = layout.outline
    return {
        "id": outline.id,
        "name": outline.name,
        "target_seconds": outline.target,
        "rate": str(outline.rate),
        "drop_frame": outline.drop_frame,
        "running_time": running_json(layout),
        "items": [item_json(layout, one, judgement) for one in layout.placed],
        "notices": [one.as_json() for one in judgement.notices],
        "jump_cuts": {
            "joins": list(judgement.jump_cuts.joins),
            "cutaways": judgement.jump_cuts.cutaways,
            "cutaway_seconds": seconds_json(judgement.jump_cuts.seconds),
        },
    }


def running_json(layout: Layout) -> dict[str, Any]:
    """Running time in frames of the edit rate, as its label, and in seconds."""
    return {
        "frames": layout.frames,
        "label": label_of(layout.outline, layout.frames),
        "seconds": seconds_json(layout.seconds(layout.frames)),
        "target_frames": layout.target,
        **{f"{known.value}_frames": layout.known(known) for known in Known},
    }


def item_json(layout: Layout, one: Placed, judgement: Judgement) -> dict[str, Any]:
    item, outline = one.item, layout.outline
    return {
        "id": item.id,
        "number": one.number,
        "kind": item.kind.value,
        "name": item.name,
        "words": item.words,
        "mood": item.mood,
        "note": item.note,
        "line": item.line.code if item.line is not None else None,
        "start": one.start,
        "frames": one.frames,
        "starts_at": label_of(outline, one.start),
        "length": label_of(outline, one.frames),
        "length_is": one.known.value,
        "speakers": list(item.speakers),
        "stitched": item.is_stitched,
        "checked_by": item.checked_by,
        "parts": _parts(outline, item.parts, one.segments),
        "covers": [_cover(outline, cover) for cover in item.covers],
        "notices": [notice.text for notice in judgement.of(item.id)],
    }


def _parts(outline: Outline, parts: Sequence[Part], segments: Sequence[Segment]) -> list[dict[str, Any]]:
    return [
        {
            **_range(outline, part),
            "speaker": part.speaker,
            "words": part.words,
            "words_now": part.words_now,
            "start": segment.start,
            "frames": segment.frames,
        }
        for part, segment in zip(parts, segments, strict=True)
    ]


def _cover(outline: Outline, cover: Cover) -> dict[str, Any]:
    return {**_range(outline, cover), "at": cover.offset}


def _range(outline: Outline, part: Part | Cover) -> dict[str, Any]:
    return {
        "clip": part.clip,
        "name": outline.sources[part.clip].take.name,
        "in": part.first,
        "out": part.end,
    }


def label_of(outline: Outline, frames: int) -> str:
    """A count of edit frames as a label that counts as the edit does; over a day it begins anew."""
    return str(Timecode.wrapped(frames, outline.rate, outline.drop_frame))
