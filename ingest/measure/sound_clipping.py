"""Clipping: flat tops at the largest value of the stretch they lie in, at full scale or below it.

A microphone that overloads its preamplifier flattens below full scale, where no peak meter shows it. So each
stretch of ten seconds is looked at under its own maximum, positive and negative apart. A flat top is a run of
three samples or more within 0.1 % (and 1 LSB of 16 bit) of that maximum with a corner at both ends: two
samples further on the signal has left by more than any smooth peak of that length would have. A pure low tone
is flat for long, but rounds off; that is what the corners tell apart. No published rule; three samples are
common practice, the corner is geometry: within h steps of its top a parabola leaves by t, within h + 2 by
t·((h+2)/h)².

Not seen: a run across the border of two blocks (one a second at most), and flattening that a lossy codec or
a filter behind the converter has tilted by more than 0.1 %.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ingest.measure.sound_blocks import Block, Keeping, run
from ingest.measure.sound_numbers import Clipping

STRETCH_BLOCKS = 10
_NEAR, _LSB = 1e-3, 1 / 32768
_LEAST_RUN = 3
_BEYOND = 2  # samples from the end of a run to where the signal must have left
_MARGIN = 1.5  # over what a smooth peak does
_QUIET = 0.003  # -50 dBFS: below it a few steps of a converter look like corners
_JOIN_SECONDS = 1.0
_MOST_RUNS = 20_000  # of one stretch and side: memory is bounded


@dataclass(slots=True)
class _Side:
    """One polarity of one channel in the stretch so far: its maximum, and the flat tops at it."""

    top: float = 0.0
    runs: list[tuple[float, float]] = field(default_factory=list)


class ClipMeter:
    """Accumulator of `measure_clipping`."""

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._sides = [(_Side(), _Side()) for _ in range(channels)]
        self._tops = [Keeping(_JOIN_SECONDS) for _ in range(channels)]
        self._over = np.zeros(channels, np.int64)
        self._blocks = 0

    def add(self, block: Block) -> None:
        for row, plane in enumerate(block.planes):
            highest = float(block.highs[row].max(initial=0.0))
            lowest = float(block.lows[row].min(initial=0.0))
            # 16 bit reach +32767 of 32768: that is full scale.
            if max(highest, -lowest) >= 1 - _LSB:
                self._over[row] += int(np.count_nonzero(np.abs(plane) >= 1 - _LSB))
            for side, peak, sign in zip(self._sides[row], (highest, -lowest), (1, -1), strict=True):
                self._look(
                    side, plane if sign > 0 else -plane if peak >= _least(side) else plane, peak, block
                )
        self._blocks += 1
        if self._blocks % STRETCH_BLOCKS == 0:
            self._close()

    def _look(self, side: _Side, plane: npt.NDArray[np.float32], peak: float, block: Block) -> None:
        if peak < _least(side):
            return
        if peak > side.top:
            if peak * (1 - _NEAR) - _LSB > side.top:
                side.runs.clear()  # they were flat below what the stretch really reaches
            side.top = peak
        for first, last in flat_runs(plane, side.top):
            if len(side.runs) < _MOST_RUNS:
                side.runs.append(((block.first + first) / self._rate, (block.first + last) / self._rate))

    def _close(self) -> None:
        for row, sides in enumerate(self._sides):
            runs = sorted((first, last, side.top) for side in sides for first, last in side.runs)
            for first, last, top in runs:
                self._tops[row].add(first, last, 20 * float(np.log10(top)))
        self._sides = [(_Side(), _Side()) for _ in self._sides]

    def result(self) -> tuple[Clipping, ...]:
        self._close()
        return tuple(
            Clipping(tops.spans(), int(over)) for tops, over in zip(self._tops, self._over, strict=True)
        )


def _least(side: _Side) -> float:
    return max(_QUIET, side.top * (1 - _NEAR) - _LSB)


def flat_runs(plane: npt.NDArray[np.float32], top: float) -> list[tuple[int, int]]:
    """Flat tops at `top` in the samples (samples,): first sample and the one after the last, of each."""
    near = _NEAR * top + _LSB
    at = np.flatnonzero(plane >= top - near)
    if not len(at):
        return []
    breaks = np.flatnonzero(np.diff(at) > 1)
    firsts, lasts = at[np.r_[0, breaks + 1]], at[np.r_[breaks, len(at) - 1]]
    long = lasts - firsts + 1 >= _LEAST_RUN
    inside = (firsts >= _BEYOND) & (lasts < len(plane) - _BEYOND)
    firsts, lasts = firsts[long & inside], lasts[long & inside]
    half = (lasts - firsts) / 2
    smooth = ((half + _BEYOND) / half) ** 2
    left = np.minimum(top - plane[firsts - _BEYOND], top - plane[lasts + _BEYOND])
    corner = left >= _MARGIN * smooth * near
    return [(int(a), int(b) + 1) for a, b in zip(firsts[corner], lasts[corner], strict=True)]


def measure_clipping(samples: npt.NDArray[np.floating], rate: int) -> tuple[Clipping, ...]:
    """One `Clipping` a channel, of `samples` (samples, channels), full scale ±1, at `rate` Hz."""
    return run(ClipMeter(rate, samples.shape[1]), samples, rate)
