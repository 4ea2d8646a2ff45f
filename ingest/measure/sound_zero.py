"""Digital zero: samples that hold no noise at all, which no microphone gives.

A channel of exact zeros was never recorded to, or was switched off in the recorder; one with the noise of its
input was recorded from an input with nothing in it. They are different faults with different remedies.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.measure.sound_blocks import Block, Keeping, run
from ingest.measure.sound_numbers import FLOOR_DB, Zeros

RUN_SECONDS = 1.0


class ZeroMeter:
    """Accumulator of `measure_zeros`. Runs are found to 1 ms."""

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._zeros = np.zeros(channels, np.int64)
        self._count = 0
        self._since: list[float | None] = [None] * channels
        self._runs = [Keeping() for _ in range(channels)]
        self._end = 0.0

    def add(self, block: Block) -> None:
        self._count += block.planes.shape[1]
        start = block.first / self._rate
        self._end = (block.first + block.planes.shape[1]) / self._rate
        silent = block.peaks == 0
        for row, frames in enumerate(silent):
            if frames.all():
                self._zeros[row] += block.planes.shape[1] - np.count_nonzero(block.planes[row])
                if self._since[row] is None:
                    self._since[row] = start
                continue
            self._zeros[row] += block.planes.shape[1] - np.count_nonzero(block.planes[row])
            loud = np.flatnonzero(~frames)
            self._end_run(row, start + loud[0] * block.fine / self._rate)
            # A run of a second within a block is none: only what reaches its end can become one.
            if loud[-1] + 1 < len(frames):
                self._since[row] = start + (loud[-1] + 1) * block.fine / self._rate

    def _end_run(self, row: int, at: float) -> None:
        since = self._since[row]
        self._since[row] = None
        if since is not None and at - since >= RUN_SECONDS:
            self._runs[row].add(since, at, FLOOR_DB)

    def result(self) -> tuple[Zeros, ...]:
        for row in range(len(self._runs)):
            self._end_run(row, self._end)
        shares = self._zeros / max(1, self._count)
        return tuple(Zeros(round(float(s), 6), r.spans()) for s, r in zip(shares, self._runs, strict=True))


def measure_zeros(samples: npt.NDArray[np.floating], rate: int) -> tuple[Zeros, ...]:
    """One `Zeros` a channel, of `samples` (samples, channels), at `rate` Hz."""
    return run(ZeroMeter(rate, samples.shape[1]), samples, rate)
