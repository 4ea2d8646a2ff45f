"""Level of each channel: peak, RMS, standing offset, how the level is spread, and its course in time.

A channel without signal is told from this by a rule, not here: at -70 dBFS for most of the time it carries
the noise of its input and nothing else (common practice, no source). The offset of an input that is stuck
is no signal either, so levels leave it out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.measure.sound_blocks import Block, Curve, Numbers, fine_length, run, to_db
from ingest.measure.sound_numbers import FLOOR_DB, Levels

BINS = int(-FLOOR_DB) + 1
_FRAME = 100  # fine frames: 0.1 s, short enough for a word, long enough for the lowest voice


class LevelMeter:
    """Accumulator of `measure_levels`. `curves` gives the course in time, a point a block."""

    def __init__(self, rate: int, channels: int) -> None:
        self._frame = _FRAME * fine_length(rate)
        self._histogram = np.zeros((channels, BINS), np.int64)
        self._peak, self._sum, self._squares = (np.zeros(channels) for _ in range(3))
        self._count = 0
        self._peaks, self._powers = Curve(channels, mean=False), Curve(channels, mean=True)

    def add(self, block: Block) -> None:
        planes = block.planes
        count = planes.shape[1]
        peak = np.abs(planes[:, -block.fine :]).max(axis=1)  # the end may be no whole frame
        if block.peaks.shape[1]:
            peak = np.maximum(peak, block.peaks.max(axis=1))
        mean = planes.mean(axis=1)
        # Around its own mean, or a large offset would drown a small signal in its rounding.
        power, frames = _powers(planes - mean[:, np.newaxis], self._frame)
        for row, one in enumerate(np.clip(np.rint(frames) - FLOOR_DB, 0, BINS - 1).astype(np.int64)):
            self._histogram[row] += np.bincount(one, minlength=BINS)
        self._peak = np.maximum(self._peak, peak)
        exact = mean.astype(np.float64)
        self._sum += exact * count
        self._squares += (power + exact**2) * count
        self._count += count
        self._peaks.add(peak)
        self._powers.add(power)

    def result(self) -> tuple[Levels, ...]:
        mean = self._sum / max(1, self._count)
        power = np.maximum(self._squares / max(1, self._count) - mean**2, 0)
        return tuple(
            Levels(
                round(float(to_db(self._peak[row] ** 2)), 2),
                round(float(to_db(power[row])), 2),
                round(float(mean[row]), 6),
                tuple(int(one) for one in self._histogram[row]),
            )
            for row in range(len(mean))
        )

    def curves(self) -> tuple[Numbers, Numbers, int]:
        """Peak and RMS in dB, (channels, points), and how many blocks one point stands for."""
        peaks, each = self._peaks.result()
        return to_db(peaks**2), to_db(self._powers.result()[0]), each


def measure_levels(samples: npt.NDArray[np.floating], rate: int) -> tuple[Levels, ...]:
    """One `Levels` a channel, of `samples` (samples, channels), full scale ±1, at `rate` Hz."""
    return run(LevelMeter(rate, samples.shape[1]), samples, rate)


def share_below(levels: Levels, db: float) -> float:
    """Share of the time, 0..1, in which the level is under `db`, to the nearest whole dB."""
    total = sum(levels.histogram)
    under = sum(levels.histogram[: max(0, round(db - FLOOR_DB))])
    return under / total if total else 0.0


def level_reached(levels: Levels, share: float) -> float:
    """The level in dB, to 1 dB, under which a channel stays for `share` (0..1) of the time."""
    sums = np.cumsum(levels.histogram)
    return FLOOR_DB + float(np.searchsorted(sums, share * sums[-1])) if sums[-1] else FLOOR_DB


def _powers(planes: npt.NDArray[np.float32], length: int) -> tuple[Numbers, Numbers]:
    """Mean square of each channel, and the level of each of its frames in dB around the frame's own mean."""
    count = planes.shape[1] // length
    frames = planes[:, : count * length].reshape(len(planes), count, length)
    squares = np.einsum("cfs,cfs->cf", frames, frames).astype(np.float64)
    means = frames.mean(axis=2) if count else np.zeros((len(planes), 0))
    rest = planes[:, count * length :]
    total = squares.sum(axis=1) + np.einsum("cs,cs->c", rest, rest)
    return total / max(1, planes.shape[1]), to_db(np.maximum(squares / length - means**2, 0))
