"""Places in a clip as people write them: a frame, a timecode of the clip's own counting, or a time from its
first frame. `place_text` writes what `read_frame` reads."""

from __future__ import annotations

import re
from fractions import Fraction

from shared.errors import UsageError
from shared.models import ClipTimes
from shared.timecode import Rate, Timecode
from shared.words import show_short

# "75.5", "1:15.5" or "0:01:15.5" from the first frame; whole seconds need minutes before them, or an "s".
_CLOCK = re.compile(r"(?:(?:([0-9]{1,3}):)?([0-9]{1,4}):)?([0-9]{1,6})(?:\.([0-9]{1,6}))?( ?s)?")
_LARGEST = 10**12  # frames: no clip is so long


def place_text(clip: ClipTimes, frame: int) -> str:
    """Its timecode where the clip has one, else minutes and seconds to the millisecond; the number of the
    frame where nobody knows how many there are in a second."""
    start, per_second = clip.start_timecode, clip.per_second
    if start is not None:
        return str(start + frame)
    if not per_second:
        return str(frame)
    milliseconds = round(frame * 1000 / per_second)
    return f"{milliseconds // 60_000}:{milliseconds // 1000 % 60:02}.{milliseconds % 1000:03}"


def read_frame(clip: ClipTimes, text: str) -> int:
    """A frame from the clip's first, the nearest to a time. Raises UsageError for what is no place,
    TimecodeError for a timecode that can't be."""
    if text.isascii() and text.isdecimal():
        return _whole(text)
    clock = _CLOCK.fullmatch(text)
    if clock is not None and clip.per_second:
        return _nearest(clip.per_second, clock)
    rate = clip.rate
    if rate is None:
        raise UsageError(
            f"{show_short(text)} is no place in it", remedy="Write minutes and seconds: 1:04.5. Or a number."
        )
    return _labelled(clip, rate, text)


def _whole(text: str) -> int:
    if len(text) > 12:
        raise UsageError(f"{show_short(text)} is no place in it", remedy="Write a smaller number.")
    return int(text)


def _nearest(per_second: Fraction, clock: re.Match[str]) -> int:
    hours, minutes, seconds, decimals, _ = clock.groups()
    whole = int(hours or 0) * 3600 + int(minutes or 0) * 60 + int(seconds)
    exact = whole + (Fraction(int(decimals), 10 ** len(decimals)) if decimals else 0)
    return min(_LARGEST, round(exact * per_second))


def _labelled(clip: ClipTimes, rate: Rate, text: str) -> int:
    start = clip.start_timecode
    label = Timecode.parse(text, rate, start.drop_frame if start is not None else False)
    if start is None:
        return label.frames
    return (label.frames - start.frames) % rate.frames_per_day(start.drop_frame)
