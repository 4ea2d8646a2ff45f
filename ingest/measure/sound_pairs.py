"""Which channels hold the same: dual mono, a safety track (the same, some dB lower), a reversed polarity.

Each second is compared by itself, so that the clipped moments of a main track, which its safety track has
whole, do not hide that it is one. No published rule: a safety track is recorded 6 to 20 dB lower (common
practice, no source).
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt

from ingest.measure.sound_blocks import Block, Numbers, run
from ingest.measure.sound_numbers import FLOOR_DB, Pair

_QUIET = 10 ** (-75 / 10)  # power below which two inputs may agree in nothing but hum
_GAINS, _GAIN_STEP = 600, 0.1  # histogram of gains: -60 to +60 dB ...
_RESIDUALS = 121  # ... and of residuals: FLOOR_DB to 0, whole dB


class PairMeter:
    """Accumulator of `measure_pairs`. Blocks of some tracks side by side: `add_planes`."""

    def __init__(self, channels: int) -> None:
        self.pairs = tuple(combinations(range(channels), 2))
        self._gains = np.zeros((len(self.pairs), 2 * _GAINS + 1), np.int32)
        self._residuals = np.zeros((len(self.pairs), _RESIDUALS), np.int32)
        self._signs = np.zeros(len(self.pairs), np.int64)
        self._seconds = np.zeros(len(self.pairs))

    def add(self, block: Block) -> None:
        self.add_planes(block.planes, block.planes.shape[1] / block.rate)

    def add_planes(self, planes: npt.NDArray[np.float32], seconds: float) -> None:
        """About a second of all channels, (channels, samples)."""
        if not self.pairs:
            return
        exact = planes.astype(np.float64)
        exact -= exact.mean(axis=1, keepdims=True)
        products = exact @ exact.T / exact.shape[1]
        for index, (one, other) in enumerate(self.pairs):
            a, b, both = products[one, one], products[other, other], products[one, other]
            if min(a, b) < _QUIET or seconds <= 0:
                continue
            self._residuals[index, _residual_cell(exact, products, one, other)] += 1
            gain = 10 * np.log10(b / a) / _GAIN_STEP
            self._gains[index, int(np.clip(np.rint(gain), -_GAINS, _GAINS)) + _GAINS] += 1
            self._signs[index] += 1 if both >= 0 else -1
            self._seconds[index] += seconds

    def result(self) -> tuple[Pair, ...]:
        return tuple(
            Pair(
                one,
                other,
                round(float(self._seconds[index]), 3),
                round((_median(self._gains[index]) - _GAINS) * _GAIN_STEP, 1),
                FLOOR_DB + _median(self._residuals[index]),
                bool(self._signs[index] < 0),
            )
            for index, (one, other) in enumerate(self.pairs)
            if self._seconds[index]
        )


def _residual_cell(exact: Numbers, products: Numbers, one: int, other: int) -> int:
    """Power of what of `other` is not `one`, over that of `other`, as a cell of the histogram."""
    a, b, both = products[one, one], products[other, other], products[one, other]
    rest = 1 - both * both / (a * b)
    if rest < 1e-6:  # the difference of two nearly equal numbers says no more: subtract the samples
        left = exact[other] - both / a * exact[one]
        rest = float(left @ left) / len(left) / b
    return int(np.clip(np.rint(10 * np.log10(max(rest, 1e-12)) - FLOOR_DB), 0, _RESIDUALS - 1))


def _median(histogram: npt.NDArray[np.int32]) -> int:
    sums = np.cumsum(histogram)
    return int(np.searchsorted(sums, (sums[-1] + 1) // 2))


def measure_pairs(samples: npt.NDArray[np.floating], rate: int) -> tuple[Pair, ...]:
    """Each two channels of `samples` (samples, channels), at `rate` Hz, that have sound at the same time."""
    return run(PairMeter(samples.shape[1]), samples, rate)
