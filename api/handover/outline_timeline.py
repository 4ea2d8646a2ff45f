"""An outline as an OpenTimelineIO timeline that plays from its first item to its last.

- `V1` and `A1` hold the ranges in order: picture and sound of the same frames. `V2` holds the cover at its
  place. Narration that nobody read, titles, and music without a clip are gaps, with a marker that says what.
- A `source_range` starts at the file's own timecode, counted at the clip's rate as in `timeline.otio`; its
  duration is a whole number of frames of the edit rate, so that every place in the timeline is one. How a
  clip of another rate is counted says `shared/outline/running.py`. The exact frames that were chosen stand in
  the metadata.
- A photograph is a clip of one frame with a `FreezeFrame` effect that holds it. It has no sound.
- Moments and open findings inside a range are markers, in the item's own space.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import opentimelineio as otio

from api.handover.columns import Line
from api.handover.folder import Draft
from api.handover.paper_edit import PaperEdit, Piece, pieces_of
from api.handover.places import Place
from api.handover.shots import Handover
from api.handover.text import file_name, one_line, plain_text, short_name
from api.handover.timeline import (
    NAMESPACE,
    first_frame,
    markers_within,
    media_reference,
    part_start,
    plain_metadata,
)
from api.handover.timing import sample_rate
from shared.models import ClipMedia
from shared.outline.compare import say_item
from shared.outline.running import Placed, Segment

_COLOUR = otio.schema.MarkerColor


@dataclass(frozen=True, slots=True)
class _Making:
    """What every item of one timeline is made with."""

    handover: Handover
    edit: PaperEdit
    places: Mapping[int, Place]
    folder: Path

    @property
    def rate(self) -> float:
        return float(self.edit.layout.outline.rate.fraction)


def outline_name(edit: PaperEdit) -> str:
    return f"outline_{edit.stem}.otio"


def write_outline_timeline(
    draft: Draft, handover: Handover, edit: PaperEdit, places: Mapping[int, Place]
) -> None:
    """Write `outline_NAME.otio`, whose relative URLs are meant from the hand-over's folder."""
    timeline = make_outline_timeline(handover, edit, places, draft.root)
    text = otio.adapters.write_to_string(timeline, "otio_json")
    draft.write(outline_name(edit), text.encode("utf-8", "backslashreplace"))


def make_outline_timeline(
    handover: Handover, edit: PaperEdit, places: Mapping[int, Place], folder: Path
) -> otio.schema.Timeline:
    """`folder` is where the timeline's file will stand."""
    making = _Making(handover, edit, places, folder)
    placed = edit.layout.placed
    segments = [segment for one in placed for segment in one.segments]
    pictures = _track(making, "V1", [one for one in segments if one.has_picture], placed)
    cover = _track(making, "V2", [one for item in placed for one in item.covers], ())
    sounds = _track(making, "A1", [one for one in segments if _has_sound(edit, one)], ())
    production = handover.production
    timeline = otio.schema.Timeline(
        name=one_line(f"{production.name}: {edit.layout.outline.name}"),
        global_start_time=otio.opentime.RationalTime(first_frame(production), making.rate),
        metadata={NAMESPACE: plain_metadata(_head(edit))},
    )
    timeline.tracks.extend([pictures, cover, sounds] if len(cover) else [pictures, sounds])
    return timeline


def _head(edit: PaperEdit) -> dict[str, Any]:
    outline = edit.layout.outline
    return {
        "version": 1,
        "outline": outline.name,
        "rate": f"{outline.rate.num}/{outline.rate.den}",
        "drop_frame": outline.drop_frame,
        "frames": edit.layout.frames,
        "target_seconds": outline.target,
        "out_is_exclusive": True,
    }


def _has_sound(edit: PaperEdit, segment: Segment) -> bool:
    """Whether its files may have sound: only a file that says it has none is left out, and a photograph."""
    shot = edit.shots[segment.clip]
    facts = shot.facts
    if segment.is_still:
        return False
    return shot.clip.media is ClipMedia.AUDIO or facts is None or facts.audio_channels != 0


def _track(
    making: _Making, name: str, segments: Sequence[Segment], told: Sequence[Placed]
) -> otio.schema.Track:
    """The segments at their places, with gaps between; `told`: items whose words stand on the gaps."""
    kind = otio.schema.TrackKind.Audio if name.startswith("A") else otio.schema.TrackKind.Video
    track = otio.schema.Track(name, kind=kind)
    at = 0
    for segment in segments:
        for piece in pieces_of(segment, making.edit.shots[segment.clip]):
            track.extend(_gaps(making, at, piece.start, told))
            track.append(_clip(making, piece))
            at = piece.start + piece.frames
    if told or not name.startswith("V2"):
        track.extend(_gaps(making, at, making.edit.layout.frames, told))
    return track


def _gaps(making: _Making, start: int, stop: int, told: Sequence[Placed]) -> Iterator[otio.schema.Gap]:
    """Nothing from edit frame `start` up to `stop`: a gap for each item that lies there."""
    at = start
    for one in told:
        first, last = max(one.start, start), min(one.stop, stop)
        if first < last:
            yield _gap(making, last - first, [_told(making, one, last - first)])
            at = last
    if at < stop:
        yield _gap(making, stop - at, [])


def _gap(making: _Making, frames: int, markers: Sequence[otio.schema.Marker]) -> otio.schema.Gap:
    return otio.schema.Gap(source_range=_range(0, making.rate, frames, making.rate), markers=list(markers))


def _told(making: _Making, one: Placed, frames: int) -> otio.schema.Marker:
    item = one.item
    about = {
        "item": one.number,
        "kind": item.kind.value,
        "line": item.line.code if item.line is not None else None,
        "mood": item.mood,
        "length": one.known.value,
    }
    return otio.schema.Marker(
        name=one_line(say_item(item)),
        marked_range=_range(0, making.rate, frames, making.rate),
        color=_COLOUR.CYAN,
        comment=plain_text(item.words),
        metadata={NAMESPACE: plain_metadata(about)},
    )


def _still(making: _Making, piece: Piece) -> otio.schema.Clip:
    """One frame of the edit rate, held for as long as the photograph stands."""
    shot, part = piece.shot, piece.part
    line = Line(making.handover, shot, making.places)
    one = _range(0, making.rate, 1, making.rate)
    about = {
        "clip_id": shot.clip.id,
        "clip": short_name(shot.clip),
        "photograph": True,
        "record_first": piece.start,
        "record_count": piece.frames,
    }
    return otio.schema.Clip(
        name=file_name(part.file),
        media_reference=media_reference(line, part, one, making.folder),
        source_range=_range(0, making.rate, piece.frames, making.rate),
        effects=[otio.schema.FreezeFrame()],
        metadata={NAMESPACE: plain_metadata(about)},
    )


def _clip(making: _Making, piece: Piece) -> otio.schema.Clip:
    if piece.is_still:
        return _still(making, piece)
    shot, part = piece.shot, piece.part
    hertz, rate = sample_rate(shot.clip), shot.timing.rate
    exact = hertz if hertz is not None else rate.fraction if rate is not None else Fraction(1)
    begin = part_start(shot, part) or 0
    span = _range(begin + piece.first, float(exact), piece.frames, making.rate)
    whole = _range(begin, float(exact), part.count or piece.count, float(exact))
    return otio.schema.Clip(
        name=file_name(part.file),
        media_reference=media_reference(
            Line(making.handover, shot, making.places), part, whole, making.folder
        ),
        source_range=span,
        markers=markers_within(
            shot, part, _range(begin + piece.first, float(exact), piece.count, float(exact))
        ),
        metadata={
            NAMESPACE: plain_metadata(
                {
                    "clip_id": shot.clip.id,
                    "clip": short_name(shot.clip),
                    "rate": f"{exact.numerator}/{exact.denominator}",
                    "source_first": begin + piece.first,
                    "source_count": piece.count,
                    "record_first": piece.start,
                    "record_count": piece.frames,
                }
            )
        },
    )


def _range(start: int, rate: float, frames: int, edit: float) -> otio.opentime.TimeRange:
    return otio.opentime.TimeRange(
        otio.opentime.RationalTime(start, rate), otio.opentime.RationalTime(frames, edit)
    )
