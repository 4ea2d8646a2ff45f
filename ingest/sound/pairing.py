"""Which pictures and sounds ran at the same time, by their clocks. Exact: instants and fractions in.

Clocks are set by hand, so whatever lies within a tolerance of each other is a candidate too.
"""

from __future__ import annotations

import bisect
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

_MICROSECONDS = 1_000_000


@dataclass(frozen=True, slots=True)
class Span:
    """A clip in real time: `start` is aware, `seconds` its exact length."""

    clip_id: int
    start: dt.datetime
    seconds: Fraction


@dataclass(frozen=True, slots=True)
class Candidate:
    """Two clips that may belong together, in exact seconds. An `overlap` below zero is the gap between them.

    `offset`: from the sound's start to the picture's, as the clocks claim.
    """

    picture: Span
    sound: Span
    overlap: Fraction
    offset: Fraction


def pair_up(
    pictures: Sequence[Span], sounds: Sequence[Span], tolerance: Fraction = Fraction(0)
) -> list[Candidate]:
    """Every picture with every sound that overlaps it, or would if a clock were wrong by `tolerance` seconds.

    By picture in the order given, then by overlap, the longest first.
    """
    ordered = sorted(sounds, key=lambda span: span.start)
    starts = [span.start for span in ordered]
    longest = max((span.seconds for span in ordered), default=Fraction(0))
    found: list[Candidate] = []
    for picture in pictures:
        # Sounds that begin after this picture ends, or so early that even the longest is over, are passed by.
        low = bisect.bisect_left(starts, picture.start - _rounded_up(longest + tolerance))
        high = bisect.bisect_right(starts, picture.start + _rounded_up(picture.seconds + tolerance))
        near = [_candidate(picture, sound) for sound in ordered[low:high]]
        within = [one for one in near if one.overlap > -tolerance]
        found += sorted(within, key=lambda one: (-one.overlap, one.sound.clip_id))
    return found


def _candidate(picture: Span, sound: Span) -> Candidate:
    offset = seconds_between(sound.start, picture.start)
    overlap = min(offset + picture.seconds, sound.seconds) - max(offset, Fraction(0))
    return Candidate(picture, sound, overlap, offset)


def seconds_between(one: dt.datetime, other: dt.datetime) -> Fraction:
    """Exact seconds from `one` to `other`."""
    apart = other - one
    return Fraction((apart.days * 86_400 + apart.seconds) * _MICROSECONDS + apart.microseconds, _MICROSECONDS)


def _rounded_up(seconds: Fraction) -> dt.timedelta:
    return dt.timedelta(seconds=int(seconds) + 1)
