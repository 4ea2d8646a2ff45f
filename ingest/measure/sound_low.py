"""Sound at about 8 kHz, for the measures of what lies below 4 kHz: a low-pass and every n-th sample of it.

A row of B samples in gives B/n samples out, each a weighted sum of that row and the one before: one product
of matrices does all rows, some ten times quicker than sample by sample.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import firwin

from ingest.measure.sound_blocks import Block, Numbers, Samples

LOW_RATE = 8000
_HALF = 8  # zero crossings of the low-pass on each side


class Decimating:
    """A filter with `taps` (taps,), of whose output every `down`-th sample is kept.

    Output n of the stream is the sum of taps[t] · x[n·down + down - 1 - t].
    """

    def __init__(self, taps: Numbers, down: int, channels: int) -> None:
        self._row = down * -(-len(taps) // down)
        columns = self._row // down
        matrix = np.zeros((2 * self._row, columns), np.float32)
        for column in range(columns):
            newest = self._row + (column + 1) * down - 1
            matrix[newest - len(taps) + 1 : newest + 1, column] = taps[::-1]
        self._before, self._now = (np.ascontiguousarray(half) for half in np.split(matrix, 2))
        self._last = np.zeros((channels, self._row), np.float32)
        self._held = np.zeros((channels, 0), np.float32)

    def add(self, planes: Samples) -> Samples:
        """(channels, samples) in; what they complete out. Less than a row is held back."""
        if self._held.shape[1]:
            planes = np.concatenate([self._held, planes], axis=1)
        channels, count = len(planes), planes.shape[1] // self._row
        self._held = planes[:, count * self._row :].copy()
        if not count:
            return np.zeros((channels, 0), np.float32)
        rows = planes[:, : count * self._row].reshape(channels, count, self._row)
        out = rows @ self._now
        out[:, 1:] += rows[:, :-1] @ self._before
        out[:, 0] += self._last @ self._before
        self._last = rows[:, -1].copy()
        return np.asarray(out.reshape(channels, -1))


class Lowering:
    """The blocks of a stream at the lower rate. `rate`: what that comes to exactly, Hz."""

    def __init__(self, rate: int, channels: int) -> None:
        down = max(1, round(rate / LOW_RATE))
        self.rate = rate / down
        self._filter = None
        if down > 1:
            taps = firwin(2 * _HALF * down + 1, 0.9 / down, window=("kaiser", 6.0))
            self._filter = Decimating(taps, down, channels)

    def add(self, block: Block) -> Samples:
        """(channels, samples) of the block at the lower rate; it lags by some 2 ms."""
        return block.planes if self._filter is None else self._filter.add(block.planes)


def strided(planes: Samples, length: int, hop: int) -> Samples:
    """All whole windows of (channels, samples), as a view (channels, windows, length)."""
    channel, sample = planes.strides
    count = (planes.shape[1] - length) // hop + 1
    shape, strides = (len(planes), count, length), (channel, hop * sample, sample)
    return np.ndarray(shape, np.float32, planes, 0, strides)


class Windows:
    """Overlapping windows over a stream of (channels, samples)."""

    def __init__(self, length: int, hop: int, channels: int) -> None:
        self._length, self._hop = length, hop
        self._held = np.zeros((channels, 0), np.float32)

    def add(self, planes: Samples) -> Samples:
        """Those that are now complete, (channels, windows, length)."""
        held = np.concatenate([self._held, planes], axis=1)
        if held.shape[1] < self._length:
            self._held = held
            return np.zeros((len(held), 0, self._length), np.float32)
        every = strided(held, self._length, self._hop)
        self._held = held[:, every.shape[1] * self._hop :].copy()
        return np.asarray(every)
