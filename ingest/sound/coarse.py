"""Where, within minutes, one recording stands in another: short pieces of one, looked for in the other.

Each piece, a needle, is correlated with all of the other recording that the clocks allow. One needle may be
fooled; what is believed is a line that several of them lie on, and how far it stands above the next best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy.fft

from ingest.sound.whiten import Signal

NEEDLES = 24
NEEDLE_SECONDS = 6.0
SHORTEST_NEEDLE = 1.0
MOST_DRIFT = 200e-6  # two clocks of 100 parts in a million each, the worst that crystals are sold with
_BLOCK = 1 << 17
_CELL_SECONDS = 0.25  # one peak is kept of each such stretch of lags
_PEAKS = 6  # of each needle
_NEAR_SECONDS = 0.0025  # how far a needle may lie off a line: reflections, and the rate of the samples
_APART_SECONDS = 20.0
_RIVAL_SECONDS = 0.05  # a line nearer than this is the same one: pitch makes peaks beside the peak


@dataclass(frozen=True, slots=True)
class Peak:
    """The needle cut at `at` seconds of its recording fits `found` seconds into the other.

    `height` is the correlation there, in standard deviations of the correlation elsewhere.
    """

    at: float
    found: float
    height: float


@dataclass(frozen=True, slots=True)
class Line:
    """found = shift + at · (1 + drift), in seconds. `score` sums the squared heights of `peaks` on it.

    `rival` is the score of the best line that says something else.
    """

    shift: float
    drift: float
    score: float
    rival: float
    peaks: tuple[Peak, ...]

    def __call__(self, at: float) -> float:
        return self.shift + at * (1 + self.drift)


def needle_seconds(length: float) -> float:
    """How long a needle is in a recording of this many seconds: a third of a short one."""
    return min(NEEDLE_SECONDS, max(SHORTEST_NEEDLE, length / 3), length)


def find_peaks(
    needles: Signal, hay: Signal, rate: int, expected: float, radius: float
) -> list[tuple[Peak, ...]]:
    """The best peaks of each needle, cut from all over `needles` and looked for in `hay`; both flattened.

    A moment of `needles` is looked for `expected` seconds later in `hay`, and up to `radius` seconds to both
    sides. A needle that is silent, or stands where `hay` can't, is left out.
    """
    length = round(needle_seconds(len(needles) / rate) * rate)
    if length < 1 or not len(hay):
        return []
    last = len(needles) - length
    count = min(NEEDLES, 1 + 2 * last // length)
    # Where the other can be at all; where nothing is known, everywhere.
    earliest = max(0, round((-expected - radius) * rate) - length)
    latest = min(last, round((len(hay) / rate - expected + radius) * rate))
    if latest < earliest:
        return []
    starts = np.unique(np.linspace(earliest, latest, count).round().astype(int)).tolist()
    pieces = [(start, needles[start : start + length]) for start in starts]
    loud = [(start, piece) for start, piece in pieces if np.mean(piece != 0) > 0.5]
    searches = [_Search(start, piece, hay, rate, expected, radius) for start, piece in loud]
    if searches:
        _scan(hay, searches, length)
    return [peaks for search in searches if (peaks := search.peaks())]


class _Search:
    """One needle, the lags it is looked for at, and the highest correlation in each cell of them."""

    def __init__(
        self, start: int, piece: Signal, hay: Signal, rate: int, expected: float, radius: float
    ) -> None:
        self.start, self.rate = start, rate
        self.first = max(-len(piece) // 2, start + round((expected - radius) * rate))
        self.last = min(len(hay) - len(piece) // 2, start + round((expected + radius) * rate))
        self._cell = max(1, round(_CELL_SECONDS * rate))
        count = max(0, (self.last - self.first) // self._cell + 1)
        self._heights = np.zeros(count, np.float32)
        self._places = np.zeros(count, np.int64)
        self._squares, self._counted = 0.0, 0
        self._energy = float(np.sum(piece.astype(np.float64) ** 2))
        self.spectrum = np.conj(scipy.fft.rfft(piece, _BLOCK))

    def hear(self, lag: int, correlation: Signal, energies: Signal) -> None:
        """Correlations at `lag` and the lags behind it, and the energy of the hay under the needle there."""
        low, high = max(lag, self.first), min(lag + len(correlation), self.last + 1)
        if low >= high:
            return
        here = slice(low - lag, high - lag)
        # A needle that hangs over the edge, or over silence, is not to count for more than it heard.
        under = np.maximum(energies[here], 0.25 * self._energy)
        heights = np.abs(correlation[here]) / np.sqrt(under * self._energy)
        heard = energies[here] > 0.25 * self._energy
        self._squares += float(np.sum(heights[heard].astype(np.float64) ** 2))
        self._counted += int(np.count_nonzero(heard))
        cells = (np.arange(low, high) - self.first) // self._cell
        edges = np.concatenate(([0], np.flatnonzero(np.diff(cells)) + 1, [len(cells)]))
        for left, right in pairwise(edges.tolist()):
            place = left + int(np.argmax(heights[left:right]))
            cell = int(cells[left])
            if heights[place] > self._heights[cell]:
                self._heights[cell], self._places[cell] = heights[place], low + place

    def peaks(self) -> tuple[Peak, ...]:
        """The highest, none within a cell's neighbour of a higher one."""
        if self._counted < 2 or self._squares == 0:
            return ()
        deviation = (self._squares / self._counted) ** 0.5
        kept: list[int] = []
        for cell in np.argsort(self._heights)[::-1]:
            if len(kept) == _PEAKS or self._heights[cell] == 0:
                break
            near = any(
                abs(int(self._places[cell]) - int(self._places[one])) < self._cell // 5 for one in kept
            )
            if not near:
                kept.append(int(cell))
        return tuple(
            Peak(
                self.start / self.rate,
                int(self._places[cell]) / self.rate,
                float(self._heights[cell]) / deviation,
            )
            for cell in kept
        )


def _scan(hay: Signal, searches: Sequence[_Search], length: int) -> None:
    """Correlate block by block (overlap-save), each block of the hay transformed once for all needles."""
    step = _BLOCK - length
    first = min(search.first for search in searches)
    last = max(search.last for search in searches)
    for lag in range(first, last + 1, step):
        block = np.zeros(_BLOCK, np.float32)
        left, right = max(0, lag), min(len(hay), lag + _BLOCK)
        if left >= right:
            continue
        block[left - lag : right - lag] = hay[left:right]
        summed = np.concatenate(([0.0], np.cumsum(block.astype(np.float64) ** 2)))
        energies = (summed[length:] - summed[:-length])[:step].astype(np.float32)
        spectrum = scipy.fft.rfft(block)
        for search in searches:
            if search.first < lag + step and search.last >= lag:
                search.hear(lag, scipy.fft.irfft(spectrum * search.spectrum, _BLOCK)[:step], energies)


def find_line(needles: Sequence[tuple[Peak, ...]]) -> Line | None:
    """The line that the most and highest peaks lie on, at most one of each needle. None: no peaks."""
    lines = [_line_through(peak, needles) for peaks in needles for peak in peaks]
    if not lines:
        return None
    best = max(lines, key=lambda line: line.score)
    others = [line.score for line in lines if _differ(line, best)]
    return Line(best.shift, best.drift, best.score, max(others, default=0.0), best.peaks)


def _differ(one: Line, other: Line) -> bool:
    at = one.peaks[0].at
    return abs(one(at) - other(at)) > _RIVAL_SECONDS


def _line_through(peak: Peak, needles: Sequence[tuple[Peak, ...]]) -> Line:
    """The line through `peak` and what agrees with it, fitted, and what lies on it then."""
    lag = peak.found - peak.at
    near = [
        max(fits, key=lambda one: one.height)
        for peaks in needles
        if (
            fits := [
                one
                for one in peaks
                if abs(one.found - one.at - lag) <= _NEAR_SECONDS + MOST_DRIFT * abs(one.at - peak.at)
            ]
        )
    ]
    drift = _slope(near)
    lags = np.array([one.found - one.at * (1 + drift) for one in near])
    weights = np.array([one.height**2 for one in near])
    shift = weighted_median(lags, weights)
    on = [one for one in near if abs(shift + one.at * (1 + drift) - one.found) <= _NEAR_SECONDS] or [peak]
    return Line(shift, drift, sum(one.height**2 for one in on), 0.0, tuple(on))


def _slope(peaks: Sequence[Peak]) -> float:
    """Median of the slopes between all pairs (Theil and Sen), each weighted by how far its pair is apart."""
    slopes, weights = [], []
    for index, one in enumerate(peaks):
        for other in peaks[index + 1 :]:
            apart = abs(other.at - one.at)
            if apart >= _APART_SECONDS:  # nearer ones say nothing of a drift
                slopes.append(((other.found - one.found) - (other.at - one.at)) / (other.at - one.at))
                weights.append(apart * min(one.height, other.height))
    if not slopes:
        return 0.0
    return float(np.clip(weighted_median(np.array(slopes), np.array(weights)), -MOST_DRIFT, MOST_DRIFT))


def weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    """The value below and above which half of the weight lies. Raises IndexError without values."""
    order = np.argsort(values)
    summed = np.cumsum(weights[order])
    return float(values[order][int(np.searchsorted(summed, summed[-1] / 2))])
