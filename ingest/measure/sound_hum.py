"""Mains hum: lines at 50 or 60 Hz and their harmonics that stay, whatever else is heard.

Windows of 4 s (Hann, 0.25 Hz a cell) every 2 s. Each line is compared with the median of its neighbourhood,
so that the rumble of a room, however loud, is no line; the median over all windows leaves out notes and
voices, which move on. Mains stay within ±0.2 Hz of their frequency nearly always (EN 50160, interconnected
systems: ±1 % for 99.5 % of a year); the limits of what counts as hum are common practice, no source.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.fft import rfft

from ingest.measure.sound_blocks import Block, Samples, power_of, run, to_db
from ingest.measure.sound_low import Lowering, Windows
from ingest.measure.sound_numbers import FLOOR_DB, HUM_HARMONICS, Lines

MAINS = (50, 60)
STANDS_OUT_DB = 10.0  # what counts into the level of a hum
_WINDOW_SECONDS, _HOP_SECONDS = 4.0, 2.0
_WANDER = 0.2  # Hz at the fundamental
_NEIGHBOURS = (1.5, 8.0)  # Hz from a line
_PROMINENCES, _LEVELS = 81, 121  # histograms: 0..80 dB, FLOOR_DB..0 dB
_SILENT = 10 ** (-100 / 10)
_FAINT = 10 ** (-105 / 10)  # a line below it is the arithmetic's


class HumMeter:
    """Accumulator of `measure_hum`, of samples at the rate of `Lowering`."""

    def __init__(self, low_rate: float, channels: int) -> None:
        length = round(_WINDOW_SECONDS * low_rate)
        self._windows = Windows(length, round(_HOP_SECONDS * low_rate), channels)
        self._taper = np.hanning(length + 1)[:-1].astype(np.float32)
        self._lines, self._around = _cells(low_rate, length)
        self._prominence = np.zeros((channels, len(self._lines), _PROMINENCES), np.int32)
        self._level = np.zeros((channels, len(MAINS), _LEVELS), np.int32)
        # A sine of amplitude A has the power A²/2: the largest cell of its Hann spectrum, squared, is this.
        self._scale = 2 / (float(self._taper.sum()) ** 2)

    def add(self, planes: Samples) -> None:
        """(channels, samples)."""
        for row, windows in enumerate(self._windows.add(planes)):
            for window in windows:
                if float(window @ window) > _SILENT * len(window):
                    self._take(row, rfft(window * self._taper))

    def _take(self, row: int, spectrum: npt.NDArray[np.complexfloating]) -> None:
        lines = power_of(spectrum[self._lines]).max(axis=1)
        around = np.maximum(np.median(power_of(spectrum[self._around]), axis=1), _FAINT / self._scale)
        prominence = np.clip(to_db(lines) - to_db(around), 0, _PROMINENCES - 1)
        self._prominence[row, np.arange(len(lines)), np.rint(prominence).astype(int)] += 1
        power = np.where(prominence >= STANDS_OUT_DB, lines, 0).reshape(len(MAINS), -1).sum(axis=1)
        level = np.rint(to_db(power * self._scale) - FLOOR_DB).astype(int)
        self._level[row, np.arange(len(MAINS)), np.clip(level, 0, _LEVELS - 1)] += 1

    def result(self) -> tuple[tuple[Lines, ...], ...]:
        return tuple(
            tuple(self._of(row, which, hertz) for which, hertz in enumerate(MAINS))
            for row in range(len(self._level))
        )

    def _of(self, row: int, which: int, hertz: int) -> Lines:
        of = self._prominence[row].reshape(len(MAINS), HUM_HARMONICS, -1)[which]
        windows = int(of[0].sum())
        if not windows:
            return Lines(hertz, (0.0,) * HUM_HARMONICS, FLOOR_DB, 0)
        prominence = tuple(_median(one) for one in of)
        return Lines(hertz, prominence, FLOOR_DB + _median(self._level[row, which]), windows)


def _cells(rate: float, length: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Cells of the spectrum that hold each line, and the nearest around it that hold no line of either mains.

    Both (lines, cells); a line narrower than the widest has its first cell more than once.
    """
    hertz = np.fft.rfftfreq(length, 1 / rate)
    clear = np.min([np.abs(hertz - m * np.rint(hertz / m)) for m in MAINS], axis=0) > _NEIGHBOURS[0]
    lines, around = [], []
    for mains in MAINS:
        for number in range(1, HUM_HARMONICS + 1):
            off = np.abs(hertz - mains * number)
            lines.append(np.flatnonzero(off <= _WANDER * number**0.5 + 0.13))
            near = (off >= _NEIGHBOURS[0]) & (off <= _NEIGHBOURS[1])
            cells = np.flatnonzero(near & clear)
            around.append(cells[np.argsort(off[cells], kind="stable")])
    widest, fewest = max(map(len, lines)), min(map(len, around))
    every = [np.r_[cells, np.repeat(cells[:1], widest - len(cells))] for cells in lines]
    return np.array(every), np.array([cells[:fewest] for cells in around])


def _median(histogram: npt.NDArray[np.int32]) -> float:
    sums = np.cumsum(histogram)
    return float(np.searchsorted(sums, (sums[-1] + 1) // 2))


class _FromBlocks:
    def __init__(self, rate: int, channels: int) -> None:
        self._lowering = Lowering(rate, channels)
        self._meter = HumMeter(self._lowering.rate, channels)

    def add(self, block: Block) -> None:
        self._meter.add(self._lowering.add(block))

    def result(self) -> tuple[tuple[Lines, ...], ...]:
        return self._meter.result()


def measure_hum(samples: npt.NDArray[np.floating], rate: int) -> tuple[tuple[Lines, ...], ...]:
    """`Lines` of 50 and of 60 Hz for each channel of `samples` (samples, channels), ±1, at `rate` Hz."""
    return run(_FromBlocks(rate, samples.shape[1]), samples, rate)
