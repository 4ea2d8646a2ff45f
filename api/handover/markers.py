"""Moments and findings as marks on a clip: for the timelines, and as a table for software without them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from api.handover.cells import Value, write_table
from api.handover.folder import Draft
from api.handover.shots import Handover, Shot
from api.handover.text import file_name, one_line, plain_text, round_ms
from shared.models import ClipMedia, Finding, Severity
from shared.timecode import Timecode

MARKERS_NAME = "markers.csv"
_COLOURS = {Severity.FAULT: "RED", Severity.WARNING: "ORANGE"}
_OF_MOMENTS = "YELLOW"
_HEADS = (
    *("reel", "file name", "clip id", "tc in", "tc out (exclusive)", "in frame", "out frame (exclusive)"),
    *("in seconds", "out seconds", "what", "name", "note", "colour"),
)


@dataclass(frozen=True, slots=True)
class Flag:
    """A mark on a clip, in the clip's own units from its first; `end` is exclusive. `colour` as the timeline
    format names it. `source`: a "moment" or a "finding", with its number in the catalogue."""

    first: int
    end: int
    name: str
    note: str
    colour: str
    source: str
    id: int


def flags_of(shot: Shot) -> list[Flag]:
    """Every moment, and every warning or fault that nobody dismissed, in order of their beginning.

    A finding without a place is of the whole clip; where its length is not known there is none.
    """
    found = [
        Flag(
            mark.moment.in_frame,
            mark.moment.out_frame,
            one_line(mark.moment.name) or f"moment {mark.moment.id}",
            plain_text(mark.entry.note) if mark.entry is not None else "",
            _OF_MOMENTS,
            "moment",
            mark.moment.id,
        )
        for mark in shot.marks
    ]
    found += [flag for one in shot.findings if (flag := _of_finding(shot, one)) is not None]
    return sorted(found, key=lambda flag: (flag.first, flag.end, flag.source, flag.id))


def _of_finding(shot: Shot, finding: Finding) -> Flag | None:
    colour, length = _COLOURS.get(finding.severity), shot.clip.frames
    if colour is None or not length:
        return None
    first = finding.in_frame or 0
    end = length if finding.out_frame is None else min(finding.out_frame, length)
    if not 0 <= first < end:
        return None
    return Flag(
        first, end, f"{finding.severity.value}: {one_line(finding.code)}", plain_text(finding.message),
        colour, "finding", finding.id,
    )  # fmt: skip


def write_markers(draft: Draft, handover: Handover) -> None:
    """Write `markers.csv`, a row a mark, clips in time order; nothing where there is none."""
    rows = [row for shot in handover.shots for row in _rows(shot)]
    if rows:
        with draft.create(MARKERS_NAME) as file:
            file.writelines(write_table(_HEADS, rows))


def _rows(shot: Shot) -> Iterator[tuple[Value, ...]]:
    """Labels are of the clip, whose first frame has its timecode; seconds are from its first frame."""
    name = file_name(shot.parts[0].file) if shot.parts else None
    per_second = shot.clip.per_second
    for flag in flags_of(shot):
        seconds = [round_ms(at / per_second) if per_second else None for at in (flag.first, flag.end)]
        yield (
            *(shot.clip.reel.name, name, shot.clip.id, _label(shot, flag.first), _label(shot, flag.end)),
            *(flag.first, flag.end, *seconds, flag.source, flag.name, flag.note, flag.colour.lower()),
        )


def _label(shot: Shot, frame: int) -> Value:
    """Its timecode; none for a sound, which counts samples, and for a clip that has none."""
    timing = shot.timing
    if timing.start is None or timing.rate is None or shot.clip.media is not ClipMedia.VIDEO:
        return None
    return str(Timecode.wrapped(timing.start + frame, timing.rate, timing.drop_frame))
