"""The start timecode of a file, from whichever place carries it, as a count of the picture's frames.

Drop-frame comes from the file's flag or the mark in its label, never from the rate. No timecode is None.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from ingest.media.facts import TEXT_LIMITS, WARNING, Noticed
from ingest.media.numbers import exact_rate
from shared.errors import TimecodeError
from shared.timecode import Rate, Timecode

# Best first: a track or package made to carry timecode, then tags, then what an encoder put in passing.
_PLACES = ("timecode track", "material package", "source package", "tags", "system item", "picture header")
_ZERO = "00:00:00:00"


@dataclass(frozen=True, slots=True)
class Label:
    """A timecode label as found. `rate` is that of its own track, None where the place has none."""

    place: str
    text: str
    drop_frame: bool
    rate: Fraction | None


@dataclass(frozen=True, slots=True)
class Start:
    """`frame` counts pictures from 00:00:00:00 at the picture's rate; None: there is no such label."""

    label: Label
    frame: int | None


def start_of(
    tracks: Sequence[Mapping[str, Any]], general: Mapping[str, Any], rate: Fraction | None
) -> tuple[Start | None, list[Noticed]]:
    """The start timecode of a MediaInfo report at the picture rate `rate`, and what is wrong with it."""
    labels = _labels(tracks, general)
    if not labels:
        return None, []
    best = labels[0]
    noticed = [_conflict(best, other) for other in labels[1:] if other.text != best.text]
    if rate is None:
        return Start(best, None), noticed
    try:
        return Start(best, _frame(best, Rate(rate.numerator, rate.denominator))), noticed
    except TimecodeError as error:
        noticed.append(
            Noticed(
                "timecode-invalid",
                WARNING,
                f"The start timecode {best.text} ({best.place}) can't be counted: {error}",
                rule="SMPTE ST 12-1",
            )
        )
        return Start(best, None), noticed


def _labels(tracks: Sequence[Mapping[str, Any]], general: Mapping[str, Any]) -> list[Label]:
    found: list[Label] = []
    extra = general.get("extra")
    for track in (*tracks, general, extra if isinstance(extra, dict) else {}):
        text = track.get("TimeCode_FirstFrame")
        if not isinstance(text, str) or not text:
            continue
        place = _place(track)
        if place == "picture header" and text.replace(";", ":") == _ZERO:
            continue  # MPEG-2 must carry a label in each group of pictures; zero is what nobody set
        flag = track.get("TimeCode_DropFrame")
        drop = flag == "Yes" if flag in ("Yes", "No") else ";" in text
        own_rate = exact_rate(track) if track.get("@type") == "Other" else None
        found.append(Label(place, _marked(text, drop)[: TEXT_LIMITS["start_timecode"]], drop, own_rate))
    return sorted(found, key=lambda label: _PLACES.index(label.place))


def _place(track: Mapping[str, Any]) -> str:
    settings = f"{track.get('TimeCode_Settings', '')} {track.get('Format', '')} {track.get('MuxingMode', '')}"
    if track.get("@type") == "Other":
        if "Material" in settings:
            return "material package"
        if "Source" in settings:
            return "source package"
        return "system item" if "SDTI" in settings or "SMPTE TC" in settings else "timecode track"
    return "picture header" if track.get("@type") == "Video" else "tags"


def _marked(text: str, drop: bool) -> str:
    """The label with the mark its flag asks for: the mark is the reader's rendering, the flag the file's."""
    if len(text) > 8 and text[8] in ":;.,":
        return text[:8] + (";" if drop else ":") + text[9:]
    return text


def _frame(label: Label, rate: Rate) -> int:
    own = rate if label.rate is None else Rate(label.rate.numerator, label.rate.denominator)
    if own.nominal == rate.nominal:
        # A timecode track at a plain 24 beside a picture at 24000/1001 counts the picture's frames.
        own = rate
    frame = Timecode.parse(label.text, own, label.drop_frame).frames
    pictures = rate.fraction / own.fraction
    if pictures.denominator != 1:
        raise TimecodeError(
            f"its track runs at {own.label}, the picture at {rate.label}",
            remedy="Check the camera's timecode settings.",
        )
    # At 50 and 60 a timecode track may count pairs of pictures (SMPTE ST 12-1).
    return frame * pictures.numerator


def _conflict(best: Label, other: Label) -> Noticed:
    return Noticed(
        "timecode-conflict",
        WARNING,
        f"The start timecode is {best.text} in the {best.place}, but {other.text} in the {other.place}; "
        f"the {best.place} is used.",
        rule="All places of one file should agree.",
    )
