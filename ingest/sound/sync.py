"""Sync by sound: where a sound recording stands beside a picture's own sound, and how their clocks part.

Arrays in, numbers out. Positions are kept to this: the moment `p` seconds after the picture's first sample is
`offset + p · (1 + drift)` seconds after the sound's first. An offset below zero: the sound began later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.sound.coarse import Line, find_line, find_peaks
from ingest.sound.fine import measure_line
from ingest.sound.whiten import Signal, flatten

RATE = 8000
"""Samples a second that `find_sync` works at: a voice is understood in this band."""
RADIUS_SECONDS = 600.0
_THINNED = 2
_LONE = 9.0  # how high one needle must stand when no other agrees, in deviations
_LEAST_CONFIDENCE = 0.35
LEAST_SECONDS = 1.0


@dataclass(frozen=True, slots=True)
class Sync:
    """`offset` and `drift` as at the top of this module; `drift` None: too short to tell.

    `confidence`, 0 to 1: how far this alignment stands above the best other one. 0 means that both are alike.
    `agreeing` of `tested` windows put the sound within a millisecond of this line.
    """

    offset: float
    drift: float | None
    confidence: float
    agreeing: int
    tested: int

    def sound_at(self, picture: float) -> float:
        """Seconds into the sound at `picture` seconds into the picture."""
        return self.offset + picture * (1 + (self.drift or 0.0))


@dataclass(frozen=True, slots=True)
class NoSync:
    """No alignment can be told from chance. `why` says it in a sentence; `confidence` as in Sync."""

    why: str
    confidence: float = 0.0


def find_sync(
    picture: Signal, sound: Signal, expected: float = 0.0, radius: float = RADIUS_SECONDS
) -> Sync | NoSync:
    """Compare two recordings of RATE samples a second. `expected` is the offset that the clocks claim; the
    true one is looked for up to `radius` seconds to both sides.
    """
    if min(len(picture), len(sound)) < LEAST_SECONDS * RATE:
        return NoSync(f"One of them has less than {LEAST_SECONDS:.0f} s of sound.")
    for name, signal in (("picture's sound", picture), ("sound", sound)):
        if not np.any(signal):
            return NoSync(f"The {name} is silent.")
    line, confidence = _rough_line(picture, sound, expected, radius)
    if line is None:
        return NoSync("No alignment within reach stands out.", confidence)
    exact = measure_line(picture, sound, RATE, line.shift, line.drift)
    if exact is None or exact.agreeing < min(3, len(line.peaks), exact.tested):
        return NoSync("An alignment that seemed likely does not hold when looked at closely.", confidence)
    return Sync(exact.shift, exact.drift, confidence, exact.agreeing, exact.tested)


def _rough_line(picture: Signal, sound: Signal, expected: float, radius: float) -> tuple[Line | None, float]:
    """The line from picture to sound, if it stands out, and how far it does."""
    rate = RATE // _THINNED
    flat_picture, flat_sound = flatten(picture, RATE, every=_THINNED), flatten(sound, RATE, every=_THINNED)
    if len(picture) <= len(sound):
        line = find_line(find_peaks(flat_picture, flat_sound, rate, expected, radius))
    else:
        line = find_line(find_peaks(flat_sound, flat_picture, rate, -expected, radius))
        line = None if line is None else _turned(line)
    if line is None:
        return None, 0.0
    confidence = max(0.0, 1 - (line.rival / line.score) ** 0.5)
    alone = len(line.peaks) < 2 and line.peaks[0].height < _LONE
    return (None if alone or confidence < _LEAST_CONFIDENCE else line), confidence


def _turned(line: Line) -> Line:
    """The same line with the two recordings changed over."""
    scale = 1 + line.drift
    return Line(-line.shift / scale, 1 / scale - 1, line.score, line.rival, line.peaks)
