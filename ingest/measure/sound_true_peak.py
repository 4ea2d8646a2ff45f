"""True peak: the largest value a converter would make of the samples, also between them.

ITU-R BS.1770-5, Annex 2: four times oversampling with the 48 taps of its table; within +0.2/-0.4 dB of the
truth for the signals 15-19 of EBU Tech 3341. Only where a stretch could exceed the largest found so far is
anything computed: no phase of the filter can enlarge a peak more than the sum of its absolute taps, 2.02
times, so what is left out cannot matter.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.measure.sound_blocks import Block, Samples, fine_length, run, to_db
from ingest.measure.sound_low import strided
from ingest.measure.sound_numbers import TruePeak

# ITU-R BS.1770-5, Annex 2, phases 0 and 1; 2 and 3 are these backwards.
_PHASE_0 = (
    *(0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625),
    *(
        0.9721679687500,
        -0.1022949218750,
        0.0476074218750,
        -0.0266113281250,
        0.0148925781250,
        -0.0083007812500,
    ),
)
_PHASE_1 = (
    *(
        -0.0291748046875,
        0.0292968750000,
        -0.0517578125000,
        0.0891113281250,
        -0.1665039062500,
        0.4650878906250,
    ),
    *(
        0.7797851562500,
        -0.2003173828125,
        0.1015625000000,
        -0.0582275390625,
        0.0330810546875,
        -0.0189208984375,
    ),
)
PHASES = np.array([_PHASE_0, _PHASE_1, _PHASE_1[::-1], _PHASE_0[::-1]])
_GAIN = float(np.abs(PHASES).sum(axis=1).max())
_REACH = PHASES.shape[1] - 1
_CELL = 16  # samples oversampled by one row of the matrix product
_FRAME = 16  # fine frames that are left out or computed together


def _matrix() -> npt.NDArray[np.float32]:
    """(27 samples in, 64 out): the four phases of each of 16 samples."""
    made = np.zeros((_CELL + _REACH, 4 * _CELL), np.float32)
    for sample in range(_CELL):
        for phase in range(4):
            made[sample : sample + _REACH + 1, 4 * sample + phase] = PHASES[phase][::-1]
    return made


class TruePeakMeter:
    """Accumulator of `measure_true_peak`."""

    def __init__(self, rate: int, channels: int) -> None:
        self._rate, self._frame = rate, _FRAME * fine_length(rate)
        self._matrix = _matrix()
        self._peak, self._second = np.zeros(channels), np.zeros(channels)
        self._before = np.zeros((channels, _REACH), np.float32)

    def add(self, block: Block) -> None:
        planes = np.concatenate([self._before, block.planes], axis=1)
        self._before = planes[:, -_REACH:].copy()
        for row, plane in enumerate(planes):
            self._look(row, plane, block)

    def result(self) -> tuple[TruePeak, ...]:
        tail = np.zeros((len(self._peak), _REACH), np.float32)  # what the filter gives after the last sample
        for row, plane in enumerate(np.concatenate([self._before, tail], axis=1)):
            self._raise(row, _cells(plane), np.arange(1), None)
        return tuple(
            TruePeak(round(float(to_db(peak**2)), 2), round(float(second), 3))
            for peak, second in zip(self._peak, self._second, strict=True)
        )

    def _look(self, row: int, plane: Samples, block: Block) -> None:
        """`plane` begins 11 samples before the block. The frame of the largest sample goes first."""
        peaks = np.maximum.reduceat(np.abs(plane[_REACH:]), np.arange(0, block.planes.shape[1], self._frame))
        # What a frame gives reaches 11 samples back, so the frame before counts with it.
        bound = np.maximum(peaks, np.r_[np.abs(plane[:_REACH]).max(), peaks[:-1]]) * _GAIN
        first = int(peaks.argmax())
        if bound.max() <= self._peak[row]:
            return
        cells = _cells(plane)
        self._raise(row, cells, self._cells_of(np.array([first]), len(cells)), block)
        others = np.flatnonzero(bound > self._peak[row])
        self._raise(row, cells, self._cells_of(others[others != first], len(cells)), block)

    def _cells_of(self, frames: npt.NDArray[np.int64], count: int) -> npt.NDArray[np.int64]:
        each = self._frame // _CELL
        cells = (frames[:, np.newaxis] * each + np.arange(each)).reshape(-1)
        return cells[cells < count]

    def _raise(self, row: int, cells: Samples, which: npt.NDArray[np.int64], block: Block | None) -> None:
        """Oversample some cells; `block` None: the peak has no place of its own."""
        if not len(which):
            return
        made = np.abs(cells[which] @ self._matrix).reshape(-1)
        at = int(made.argmax())
        if made[at] > self._peak[row]:
            self._peak[row] = made[at]
            if block is not None:
                cell, within = divmod(at, 4 * _CELL)
                sample = block.first + which[cell] * _CELL + within / 4 - _REACH / 2
                self._second[row] = max(0.0, sample / self._rate)


def _cells(plane: Samples) -> Samples:
    """(cells, 27): each 16 samples with the 11 before them; zeros behind the last."""
    count = -(-(len(plane) - _REACH) // _CELL)
    padded = np.zeros(count * _CELL + _REACH, np.float32)
    padded[: len(plane)] = plane
    return np.asarray(strided(padded[np.newaxis], _CELL + _REACH, _CELL)[0])


def measure_true_peak(samples: npt.NDArray[np.floating], rate: int) -> tuple[TruePeak, ...]:
    """One `TruePeak` a channel, of `samples` (samples, channels), full scale ±1, at `rate` Hz."""
    return run(TruePeakMeter(rate, samples.shape[1]), samples, rate)
