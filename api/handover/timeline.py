"""The clips as an OpenTimelineIO timeline: one video track and one audio track, each in time order.

- `V1` holds every clip with picture, end to end; a spanning clip is one item a file. `A1` holds the
  sound-only clips, end to end. The tracks are two lists: nothing is in sync because it stands side by side.
- A media reference's `available_range` starts at the file's start timecode, counted in frames at the clip's
  own rate, and `source_range` is the whole of it in the same space. Without a timecode it starts at 0.
  Sound-only clips count samples since midnight at their sampling rate.
- Rates are doubles, as the format has it: the nearest to the exact fraction, which stands beside them in the
  `rushlight` metadata ("24000/1001").
- A moment, and a finding that nobody dismissed, is a marker whose range is in the item's own space.

Photographs, and files whose length nobody could read, have no length to place: they are in the shot log only.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import opentimelineio as otio

from api.handover.columns import COLUMNS, Line
from api.handover.folder import Draft
from api.handover.markers import Flag, flags_of
from api.handover.places import Place, choose_copy, media_url, path_below
from api.handover.shot_log import entry_object, finding_object, moment_object
from api.handover.shots import Handover, Part, Shot
from api.handover.text import file_name, one_line, plain_text, short_name
from api.handover.timing import sample_rate
from shared.models import ClipMedia, Production
from shared.names import display
from shared.timecode import Rate, Timecode

TIMELINE_NAME = "timeline.otio"
NAMESPACE = "rushlight"
# What an item's metadata takes from the shot log; of a spanning clip, these speak of the whole clip.
_FROM_LOG = ("day", "date", "shot_at", "camera", "reel", "tc_in", "tc_out", "duration_frames")
_FIRST_LABEL = "01:00:00:00"  # where a programme begins (common practice, no source)

Stretch = tuple[int, int]
"""A part of a clip, in its own units from its first; the end is exclusive."""


def write_timeline(draft: Draft, handover: Handover, places: Mapping[int, Place]) -> None:
    """Write `timeline.otio`, whose relative URLs are meant from the hand-over's folder."""
    timeline = make_timeline(handover, places, draft.root)
    text = otio.adapters.write_to_string(timeline, "otio_json")
    draft.write(TIMELINE_NAME, text.encode("utf-8", "backslashreplace"))


def make_timeline(
    handover: Handover,
    places: Mapping[int, Place],
    folder: Path,
    select: Callable[[Shot], Sequence[Stretch]] | None = None,
) -> otio.schema.Timeline:
    """The timeline of every shot that has a length; `folder` is where its file will stand.

    `select` says which stretches of a clip are wanted, each of which becomes an item; without it, all of it.
    """
    production = handover.production
    pictures = otio.schema.Track("V1", kind=otio.schema.TrackKind.Video)
    sounds = otio.schema.Track("A1", kind=otio.schema.TrackKind.Audio)
    for shot in handover.shots:
        track = sounds if shot.clip.media is ClipMedia.AUDIO else pictures
        line = Line(handover, shot, places)
        for stretch in [None] if select is None else select(shot):
            track.extend(list(_items(line, folder, stretch)))
    timeline = otio.schema.Timeline(
        name=one_line(production.name),
        global_start_time=_time(first_frame(production), float(production.rate.fraction)),
        metadata={
            NAMESPACE: plain_metadata(
                {
                    "version": 1,
                    "project": production.name,
                    "rate": _fraction(production.rate),
                    "drop_frame": production.drop_frame,
                    "zone": production.zone,
                    "query": handover.query,
                    "made_at": handover.made_here.isoformat(timespec="seconds"),
                    "out_is_exclusive": True,
                }
            )
        },
    )
    timeline.tracks.extend([pictures, sounds])
    return timeline


def first_frame(production: Production) -> int:
    """The timeline's first frame, labelled 01:00:00:00 at the production's rate."""
    label = _FIRST_LABEL
    if production.drop_frame:
        label = f"{label[:8]};{label[9:]}"
    if production.rate.nominal > 100:  # the frames field has three digits then
        label += "0"
    return Timecode.parse(label, production.rate).frames


def on_timeline(shot: Shot) -> bool:
    """Whether the whole clip has its place there; a proxy never takes that of its original."""
    if shot.is_proxy or not shot.parts:
        return False
    return _counting(shot) is not None and all(part.count for part in shot.parts)


def _counting(shot: Shot) -> tuple[float, str] | None:
    """What the clip counts in: units a second as OpenTimelineIO has it, and exactly. None: not known."""
    clip = shot.clip
    hertz = sample_rate(clip)
    if hertz is not None:
        return float(hertz), f"{hertz.numerator}/{hertz.denominator}"
    if clip.media is not ClipMedia.VIDEO or shot.timing.rate is None:
        return None
    return float(shot.timing.rate.fraction), _fraction(shot.timing.rate)


def _fraction(rate: Rate) -> str:
    return f"{rate.num}/{rate.den}"


def _time(value: int, rate: float) -> otio.opentime.RationalTime:
    return otio.opentime.RationalTime(value, rate)


def _range(start: int, count: int, rate: float) -> otio.opentime.TimeRange:
    return otio.opentime.TimeRange(_time(start, rate), _time(count, rate))


def _items(line: Line, folder: Path, stretch: Stretch | None) -> Iterator[otio.schema.Clip]:
    shot = line.shot
    counting = _counting(shot)
    if counting is None or not on_timeline(shot):
        return
    rate, exact = counting
    for number, part in enumerate(shot.parts, start=1):
        assert part.count is not None, "on_timeline looked"
        begin = part_start(shot, part) or 0
        whole = _range(begin, part.count, rate)
        within = _within(part, stretch)
        if within is None:
            continue
        span = _range(begin + within[0], within[1] - within[0], rate)
        yield otio.schema.Clip(
            name=file_name(part.file),
            media_reference=media_reference(line, part, whole, folder),
            source_range=span,
            markers=markers_within(shot, part, span),
            metadata={NAMESPACE: plain_metadata(_about(line, part, number, exact))},
        )


def _within(part: Part, stretch: Stretch | None) -> Stretch | None:
    """What of the stretch lies in a file, counted from the file's first; None: nothing."""
    assert part.count is not None, "on_timeline looked"
    if stretch is None:
        return 0, part.count
    if part.offset is None:
        return None
    first, end = max(0, stretch[0] - part.offset), min(part.count, stretch[1] - part.offset)
    return (first, end) if first < end else None


def part_start(shot: Shot, part: Part) -> int | None:
    """The first frame (or sample) of a file by its timecode, within a day; None where nothing says."""
    rate = shot.timing.rate
    if part.start is None or rate is None or shot.clip.media is not ClipMedia.VIDEO:
        return part.start
    return part.start % rate.frames_per_day(shot.timing.drop_frame)


def _part_label(shot: Shot, part: Part) -> str | None:
    """The timecode of a file's first frame; of a sound, at the production's rate, as the shot log has it."""
    start, timing, hertz = part_start(shot, part), shot.timing, sample_rate(shot.clip)
    if start is None or timing.rate is None:
        return None
    if hertz is not None:
        start = timing.rate.seconds_to_frames(start / hertz)
    return str(Timecode.wrapped(start, timing.rate, timing.drop_frame))


def media_reference(
    line: Line, part: Part, span: otio.opentime.TimeRange, folder: Path
) -> otio.schema.ExternalReference | otio.schema.MissingReference:
    """The copy of a file to play, and how long it is (`span`, in the file's own counting)."""
    reel = line.shot.clip.reel
    below = path_below(reel, part.file)
    about = {NAMESPACE: plain_metadata({"path": display(below), "size": part.file.size, "hash": _hash(part)})}
    place = choose_copy(reel, part.file, line.places)
    if place is None:
        return otio.schema.MissingReference(name=file_name(part.file), available_range=span, metadata=about)
    reference = otio.schema.ExternalReference(
        target_url=media_url(place, below, folder), available_range=span, metadata=about
    )
    reference.name = file_name(part.file)
    return reference


def _hash(part: Part) -> dict[str, str] | None:
    digest = part.file.digest
    return None if digest is None else {"algorithm": part.file.algorithm, "value": digest}


def markers_within(shot: Shot, part: Part, span: otio.opentime.TimeRange) -> list[otio.schema.Marker]:
    """The shares of the clip's moments and findings that lie in `span` of one of its files."""
    return [marker for flag in flags_of(shot) if (marker := _marker(shot, flag, part, span)) is not None]


def _marker(shot: Shot, flag: Flag, part: Part, span: otio.opentime.TimeRange) -> otio.schema.Marker | None:
    """None where nothing of it lies in the span."""
    if part.offset is None:
        return None
    # From the clip's first frame to the file's own counting.
    shift = (part_start(shot, part) or 0) - part.offset
    begin = round(span.start_time.value)
    first = max(flag.first + shift, begin)
    end = min(flag.end + shift, begin + round(span.duration.value))
    if first >= end:
        return None
    return otio.schema.Marker(
        name=flag.name,
        marked_range=_range(first, end - first, span.start_time.rate),
        color=flag.colour,
        comment=flag.note,
        metadata={NAMESPACE: plain_metadata(_flag_object(shot, flag))},
    )


def _flag_object(shot: Shot, flag: Flag) -> dict[str, Any]:
    """The moment or the finding as the shot log's twin has it, with which of both it is."""
    if flag.source == "moment":
        mark = next(mark for mark in shot.marks if mark.moment.id == flag.id)
        return {"source": flag.source, **moment_object(mark)}
    finding = next(one for one in shot.findings if one.id == flag.id)
    return {"source": flag.source, **finding_object(finding)}


def _about(line: Line, part: Part, number: int, exact: str) -> dict[str, Any]:
    """Our own words about an item. Whole numbers stand here as such: the format's own are doubles."""
    shot, timing = line.shot, line.shot.timing
    columns = {column.key: column.of(line) for column in COLUMNS if column.key in _FROM_LOG}
    return {
        "clip_id": shot.clip.id,
        "clip": short_name(shot.clip),
        "part": number,
        "parts": len(shot.parts),
        **columns,
        "rate": exact,
        "drop_frame": timing.drop_frame,
        "timecode": _part_label(shot, part),
        "start": part_start(shot, part),
        "count": part.count,
        "hash": _hash(part),
        "log": entry_object(shot.entry),
    }


def plain_metadata(value: Any) -> Any:
    """Text without controls, everywhere in a nest of lists and dicts."""
    if isinstance(value, str):
        return plain_text(value)
    if isinstance(value, dict):
        return {key: plain_metadata(one) for key, one in value.items()}
    return [plain_metadata(one) for one in value] if isinstance(value, list | tuple) else value
