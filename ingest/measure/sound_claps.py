"""Claps, of hands or of a slate: sudden, loud above what was before, and over at once.

Within 3 ms the peak rises by 12 dB and stands 20 dB above the quarter second before; a fifth of a second
later it is 20 dB lower again. A word begins slowly and goes on, a thud below 80 Hz rises slowly; a door that
slams or a cup put down is taken for a clap too. Common practice, no source.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.measure.sound_blocks import Block, Keeping, Samples, fine_length, run, to_db
from ingest.measure.sound_numbers import Spans

_LOUD = 0.05  # -26 dBFS
_RISE = 4.0  # 12 dB
_RISE_FRAMES = 3
_STANDS_OUT = 10.0  # 20 dB, above the median before and after
_BEFORE, _AFTER = 250, (150, 250)  # fine frames


class ClapMeter:
    """Accumulator of `measure_claps`."""

    def __init__(self, rate: int, channels: int) -> None:
        self._seconds = fine_length(rate) / rate
        self._found = [Keeping() for _ in range(channels)]
        self._held = np.zeros((channels, 0), np.float32)
        self._first = 0  # number of the fine frame with which that begins
        self._done = [0] * channels

    def add(self, block: Block) -> None:
        frames = np.concatenate([self._held, block.peaks], axis=1)
        for row, peaks in enumerate(frames):
            self._look(row, peaks)
        gone = max(0, frames.shape[1] - _BEFORE - _AFTER[1])
        self._held = frames[:, gone:].copy()
        self._first += gone

    def _look(self, row: int, peaks: Samples) -> None:
        """Judge what has all of its before and after here; the rest waits for the next block."""
        loud = np.flatnonzero(peaks >= _LOUD)
        for at in loud[(loud >= _BEFORE) & (loud < len(peaks) - _AFTER[1])]:
            if self._first + at < self._done[row] or peaks[at] < peaks[at : at + _RISE_FRAMES].max():
                continue
            top = float(peaks[at])
            if float(peaks[at - _RISE_FRAMES - 3 : at - _RISE_FRAMES + 1].max()) > top / _RISE:
                continue
            before, after = peaks[at - _BEFORE : at - _RISE_FRAMES], peaks[at + _AFTER[0] : at + _AFTER[1]]
            if max(float(np.median(before)), float(np.median(after))) * _STANDS_OUT > top:
                continue
            second = (self._first + int(at)) * self._seconds
            self._found[row].add(second, second, float(to_db(top**2)))
            self._done[row] = self._first + int(at) + _AFTER[0]

    def result(self) -> tuple[Spans, ...]:
        return tuple(one.spans() for one in self._found)


def measure_claps(samples: npt.NDArray[np.floating], rate: int) -> tuple[Spans, ...]:
    """One `Spans` a channel, of `samples` (samples, channels), ±1; `level` of a span: peak, dBFS."""
    return run(ClapMeter(rate, samples.shape[1]), samples, rate)
