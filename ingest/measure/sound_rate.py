"""Sample rate: what the file says, and whether its samples run as fast as its clock.

48 kHz is the rate that AES5 prefers for programmes, and that pictures are cut with. A file that says 48 kHz
and holds samples taken at another rate plays too fast or too slow: then the samples over the stated rate and
the time stamps, or the picture, come to different lengths, in the proportion of the two rates.
"""

from __future__ import annotations

from ingest.measure.sound_numbers import Timing

USUAL_RATES = (32_000, 44_100, 47_952, 48_000, 48_048, 88_200, 96_000)
_LEAST_SECONDS = 10.0  # below it, a block more or less of a codec is too large a share
_EDGE_SECONDS = 0.1  # sound and picture are not cut at one instant
_NEAR = 0.0003


def true_rate(timing: Timing, seconds: float) -> tuple[float, float]:
    """The rate at which the samples would fill `seconds` (of the time stamps, or of the picture), and how
    unsure that is, both in Hz.
    """
    rate = timing.samples / seconds
    return rate, rate * _EDGE_SECONDS / seconds


def mistaken_rate(timing: Timing, seconds: float | None) -> int | None:
    """The usual rate at which the samples were taken, where that is surely not the stated one; else None.

    None too where there is nothing to compare with, or less than 10 s of it.
    """
    if seconds is None or min(seconds, timing.seconds) < _LEAST_SECONDS:
        return None
    rate, unsure = true_rate(timing, seconds)
    if abs(rate - timing.rate) <= max(2 * unsure, 2 * _NEAR * timing.rate):
        return None
    near = [one for one in USUAL_RATES if abs(one - rate) <= max(unsure, _NEAR * one)]
    return min(near, key=lambda one: abs(one - rate)) if near else None
