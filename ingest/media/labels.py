"""The start timecode of a file, from whichever place carries it, as a count of the picture's frames.

Drop-frame comes from the file's flag or the mark in its label, never from the rate. No timecode is None.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from ingest.media.facts import NOTE, TEXT_LIMITS, WARNING, Facts, Noticed
from ingest.media.numbers import exact_rate
from shared.errors import TimecodeError
from shared.timecode import Rate, Timecode

# Best first: a track or package made to carry timecode, then tags, then what an encoder put in passing.
_PLACES = ("timecode track", "material package", "source package", "tags", "system item", "picture header")
_ZERO = "00:00:00:00"
_FAST = 48  # from here on a label may count pairs of pictures


@dataclass(frozen=True, slots=True)
class Label:
    """A timecode label as found. `rate` is that of its own track, None where the place has none."""

    place: str
    text: str
    drop_frame: bool
    rate: Fraction | None


@dataclass(frozen=True, slots=True)
class Start:
    """`frame` counts pictures from 00:00:00:00 at the picture's rate; None: there is no such label.

    `counts` says what the label's last field counts at 48 pictures a second and more: "frames", "pairs" of
    them, or "frames (assumed)" where the place names no rate of its own. None: below that, or not known.
    """

    label: Label
    frame: int | None
    counts: str | None = None


def start_of(
    tracks: Sequence[Mapping[str, Any]], general: Mapping[str, Any], rate: Fraction | None
) -> tuple[Start | None, list[Noticed]]:
    """The start timecode of a MediaInfo report at the picture rate `rate`, and what is wrong with it."""
    labels = _labels(tracks, general)
    if not labels:
        return None, []
    best = labels[0]
    noticed = [_conflict(best, other) for other in labels[1:] if not _agree(best, other, rate)]
    if rate is None:
        return Start(best, None), noticed
    try:
        frame = _frame(best, Rate(rate.numerator, rate.denominator))
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
    counts = _counts(best, rate)
    if counts == "pairs":
        noticed.append(_pairs(best, rate))
    return Start(best, frame, counts), noticed


def count_start(facts: Facts) -> Facts:
    """`facts` with the start frame, where its label could not be counted before the rate was proved."""
    if facts.start_frame is not None or facts.start_timecode is None or facts.rate_mode != "constant":
        return facts
    if not facts.rate_num or not facts.rate_den:
        return facts
    own = facts.more.get("timecode_rate")
    label = Label(
        facts.timecode_source or "",
        facts.start_timecode,
        bool(facts.drop_frame),
        Fraction(own) if isinstance(own, str) else None,
    )
    try:
        return replace(facts, start_frame=_frame(label, Rate(facts.rate_num, facts.rate_den)))
    except TimecodeError:
        return facts  # said already


def _agree(best: Label, other: Label, rate: Fraction | None) -> bool:
    """Whether two places mean the same picture: one may count pairs of those that the other counts."""
    if best.text == other.text:
        return True
    if rate is None or best.drop_frame != other.drop_frame:
        return False
    counted = Rate(rate.numerator, rate.denominator)
    try:
        return _frame(best, counted) == _frame(other, counted)
    except TimecodeError:
        return False


def _counts(label: Label, rate: Fraction) -> str | None:
    nominal = Rate(rate.numerator, rate.denominator).nominal
    if nominal < _FAST:
        return None
    if label.rate is None:
        return "frames (assumed)"
    return "pairs" if Rate(label.rate.numerator, label.rate.denominator).nominal * 2 == nominal else "frames"


def _pairs(label: Label, rate: Fraction) -> Noticed:
    shown, own = (Rate(one.numerator, one.denominator).label for one in (rate, label.rate or rate))
    return Noticed(
        "timecode-pairs",
        NOTE,
        f"The {label.place} counts pairs of pictures: {label.text} at {own}, for {shown} pictures a second. "
        "Here each picture is counted, so the last field goes twice as far.",
        rule="SMPTE ST 12-1 counts pairs above 30 frames a second.",
    )


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
    same = best.place == other.place
    where = f"another {other.place}; the first" if same else f"the {other.place}; the {best.place}"
    return Noticed(
        "timecode-conflict",
        WARNING,
        f"The start timecode is {best.text} in the {best.place}, but {other.text} in {where} is used.",
        rule="All places of one file should agree.",
    )
