"""Dropouts: the sound is suddenly gone, or stuck at one value, and suddenly back, within a second.

A radio link that breaks, a cable that moves, a block the recorder lost. Within 2 ms the swing of the signal
falls by 40 dB or more, and it comes back as fast. Speech dies away in tens of milliseconds and leaves the
noise of the room, and so does a note; only a gate, or an edit to digital silence, looks like a dropout and is
taken for one. Shortest that is surely found: 3 ms. No published rule.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.measure.sound_blocks import Block, Keeping, Samples, fine_length, run
from ingest.measure.sound_numbers import FLOOR_DB, Spans

LONGEST_SECONDS = 1.0  # what lasts longer is a channel without signal, told by its level
_FALL = 0.01  # -40 dB
_LOUD = 0.003  # -50 dBFS: from less than this there is nothing to fall
_EDGE = 2  # fine frames within which it must have fallen
_CONTEXT = 20  # fine frames on each side that must be sound, and not a click or a fade
_LEAST = 2  # fine frames
_FADED = 0.3  # of what it was within the context: it had been going, or comes back slowly
_STANDS_OUT = 10  # how much larger, in the median, the sound on each side is than what is left between


class DropoutMeter:
    """Accumulator of `measure_dropouts`."""

    def __init__(self, rate: int, channels: int) -> None:
        self._seconds = fine_length(rate) / rate  # of a fine frame
        self._most = round(LONGEST_SECONDS / self._seconds)
        self._found = [Keeping() for _ in range(channels)]
        self._held = [np.zeros(0, np.float32) for _ in range(channels)]
        self._first = [0] * channels  # number of the frame with which each begins

    def add(self, block: Block) -> None:
        swings = (block.highs - block.lows) / 2  # of each fine frame: a standing offset is no signal
        for row, swing in enumerate(swings):
            frames = np.concatenate([self._held[row], swing])
            keep = self._look(row, frames)
            self._held[row] = frames[keep:].copy()
            self._first[row] += keep

    def _look(self, row: int, frames: Samples) -> int:
        """Judge every fall that is over by now. Returns the first frame that is still needed."""
        before = _larger_of_two(frames)[:-_EDGE]  # of the two frames before each
        falls = np.flatnonzero((frames[_EDGE:] <= _FALL * before) & (before >= _LOUD)) + _EDGE
        done = 0
        for fall in falls:
            if fall < max(done, _CONTEXT):
                continue
            run = frames[fall : fall + self._most + 1] > _FALL * before[fall - _EDGE]
            length = int(run.argmax()) if run.any() else len(run)
            end = int(fall) + length
            if end + _CONTEXT > len(frames):
                return max(0, int(fall) - _CONTEXT)
            self._judge(row, frames, int(fall), end)
            done = end
        # The next block's first frames may fall from this one's last.
        return max(0, len(frames) - _CONTEXT - _EDGE)

    def _judge(self, row: int, frames: Samples, first: int, last: int) -> None:
        if not _LEAST <= last - first <= self._most:
            return
        left = float(frames[first:last].max())
        back = float(frames[last : last + _EDGE].max())
        sides = (frames[first - _CONTEXT : first], frames[last : last + _CONTEXT])
        before, behind = (float(np.median(side)) for side in sides)
        if float(sides[0][-_EDGE:].max()) < _FADED * before or back < _FADED * behind:
            return
        around = min(before, behind)
        if back < max(_LOUD, left / _FALL) or around < max(_LOUD / 3, _STANDS_OUT * left):
            return
        fall = 20 * float(np.log10(max(left, 10 ** (FLOOR_DB / 20)) / back))
        start, seconds = self._first[row], self._seconds
        self._found[row].add((start + first) * seconds, (start + last) * seconds, -fall)

    def result(self) -> tuple[Spans, ...]:
        return tuple(one.spans() for one in self._found)


def _larger_of_two(frames: Samples) -> Samples:
    """Of each frame and the next; of the last, itself."""
    return np.maximum(frames, np.r_[frames[1:], frames[-1:]])


def measure_dropouts(samples: npt.NDArray[np.floating], rate: int) -> tuple[Spans, ...]:
    """One `Spans` a channel, of `samples` (samples, channels), full scale ±1, at `rate` Hz.

    `level` of a span: how far the signal fell, dB.
    """
    return run(DropoutMeter(rate, samples.shape[1]), samples, rate)
