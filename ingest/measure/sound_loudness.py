"""Loudness by ITU-R BS.1770-5 and EBU R 128: integrated, momentary, short-term, range.

Our own, by the vectors of EBU Tech 3341 (v4, 2023) and 3342: the `ebur128` filter of the FFmpeg in PyAV 18.1
reads a new value every 100 ms and misses the largest momentary loudness by up to 0.45 LU where 0.1 is allowed
(case 13, 16 of 20 signals); pyloudnorm 0.2.0 gives the integrated loudness only, and needs the whole file at
once. This one keeps energies in bins of 10 ms, passes the cases made of tones (1-6, 9, 10, 12, 13; all 3342),
and takes every channel alone and all together in one pass.

Memory does not grow: gating and range work on histograms of 0.01 LU that hold the exact energy of what fell
into each bin, so only the place of a gate is rounded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.signal import sosfilt

from ingest.measure.sound_blocks import Block, Numbers, fine_length, run
from ingest.measure.sound_numbers import Loudness

_BIN = 10  # fine frames in a bin: 10 ms
_MOMENTARY, _SHORT_TERM, _STEP = 40, 300, 10  # bins: 0.4 s, 3 s, 0.1 s (75 % overlap of gating blocks)
_OFFSET = -0.691  # BS.1770: makes a 997 Hz sine of full scale in one front channel read -3.01
_ABSOLUTE_GATE, _RELATIVE_GATE, _RANGE_GATE = -70.0, -10.0, -20.0  # BS.1770; EBU Tech 3342
_RANGE_FROM, _RANGE_TO = 0.10, 0.95  # EBU Tech 3342
_PER_LU, _CELLS = 100, 9000  # the histogram: -70 to +20 LUFS

SURROUND_WEIGHT = 1.41  # BS.1770, table 3: +1.5 dB for what comes from the sides and behind
_WEIGHTS = {"LFE": 0.0, "LFE2": 0.0, "SL": SURROUND_WEIGHT, "SR": SURROUND_WEIGHT}
_WEIGHTS |= {"BL": SURROUND_WEIGHT, "BR": SURROUND_WEIGHT}


def k_weighting(rate: float) -> Numbers:
    """BS.1770's two filters at `rate` Hz, second-order sections (2, 6).

    The Recommendation tabulates 48 kHz; other rates follow from the same analogue filters by the bilinear
    transform, as it asks for. A test compares them with its table.
    """
    shelf_gain = 10 ** (3.999843853973347 / 20)
    shelf_mid = shelf_gain**0.4996667741545416
    k, q = math.tan(math.pi * 1681.974450955533 / rate), 0.7071752369554196
    base = 1 + k / q + k * k
    shelf = [
        (shelf_gain + shelf_mid * k / q + k * k) / base,
        2 * (k * k - shelf_gain) / base,
        (shelf_gain - shelf_mid * k / q + k * k) / base,
        *(1.0, 2 * (k * k - 1) / base, (1 - k / q + k * k) / base),
    ]
    k, q = math.tan(math.pi * 38.13547087602444 / rate), 0.5003270373238773
    base = 1 + k / q + k * k
    return np.array([shelf, [1.0, -2.0, 1.0, 1.0, 2 * (k * k - 1) / base, (1 - k / q + k * k) / base]])


def weights_of(names: Sequence[str]) -> tuple[float, ...]:
    """BS.1770's weight of each channel by FFmpeg's name of it ("FL", "LFE", "SL"); unknown names count 1."""
    return tuple(_WEIGHTS.get(name, 1.0) for name in names)


class LoudnessMeter:
    """Accumulator: each channel alone (as a mono programme), then all together with their `weights`."""

    def __init__(self, rate: int, channels: int, weights: Sequence[float] | None = None) -> None:
        self._weights = np.ones(channels) if weights is None else np.array(weights, np.float64)
        # A mono track's programme is its channel.
        self._rows = channels + (channels > 1)
        self._bin = _BIN * fine_length(rate)
        self._sections = k_weighting(rate)
        self._state = np.zeros((2, channels, 2))
        self._bins = np.zeros((self._rows, 0))
        self._seen = 0  # bins so far
        self._most = np.full((2, self._rows), -1.0)
        self._gated, self._ranged = (_Histogram(self._rows) for _ in range(2))

    def add(self, block: Block) -> None:
        heard, self._state = sosfilt(self._sections, block.planes, axis=1, zi=self._state)
        channels, count = len(heard), heard.shape[1] // self._bin
        frames = heard[:, : count * self._bin].reshape(channels, count, self._bin)
        energies = np.einsum("cbs,cbs->cb", frames, frames) / self._bin
        if self._rows > channels:
            energies = np.vstack([energies, self._weights @ energies])
        self._slide(energies)

    def _slide(self, energies: Numbers) -> None:
        """Windows that end within the new bins. Only what the longest of them reaches back to is kept."""
        first = self._seen
        self._seen += energies.shape[1]
        bins = np.concatenate([self._bins, energies], axis=1)
        sums = np.concatenate([np.zeros((self._rows, 1)), np.cumsum(bins, axis=1)], axis=1)
        for which, (length, histogram) in enumerate(((_MOMENTARY, self._gated), (_SHORT_TERM, self._ranged))):
            ends = np.arange(max(first + 1, length), self._seen + 1)
            if not len(ends):
                continue
            at = ends - self._seen + bins.shape[1]
            means = np.maximum(sums[:, at] - sums[:, at - length], 0) / length
            self._most[which] = np.maximum(self._most[which], means.max(axis=1))
            histogram.add(means[:, (ends - length) % _STEP == 0])
        self._bins = bins[:, -(_SHORT_TERM - 1) :]

    def result(self) -> tuple[tuple[Loudness, ...], Loudness]:
        """One of each channel, and that of all together."""
        integrated, ranges = self._gated.integrated(), self._ranged.range()
        every = [
            Loudness(integrated[row], _lufs(self._most[0, row]), _lufs(self._most[1, row]), ranges[row])
            for row in range(self._rows)
        ]
        return tuple(every[: len(self._weights)]), every[-1]


class _Histogram:
    """Window energies by their loudness: how many fell into each 0.01 LU, and their sum."""

    def __init__(self, rows: int) -> None:
        self._counts = np.zeros((rows, _CELLS), np.int64)
        self._sums = np.zeros((rows, _CELLS))

    def add(self, means: Numbers) -> None:
        for row, values in enumerate(means):
            kept = values[values > _energy(_ABSOLUTE_GATE)]
            cells = np.clip((_loudness(kept) - _ABSOLUTE_GATE) * _PER_LU, 0, _CELLS - 1).astype(np.int64)
            np.add.at(self._counts[row], cells, 1)
            np.add.at(self._sums[row], cells, kept)

    def integrated(self) -> list[float | None]:
        every: list[float | None] = []
        for counts, sums in zip(self._counts, self._sums, strict=True):
            gate = self._gate(counts, sums, _RELATIVE_GATE)
            total = counts[gate:].sum()
            every.append(_lufs(sums[gate:].sum() / total) if total else None)
        return every

    def range(self) -> list[float | None]:
        every: list[float | None] = []
        for counts, sums in zip(self._counts, self._sums, strict=True):
            above = np.cumsum(counts[self._gate(counts, sums, _RANGE_GATE) :])
            if not len(above) or not above[-1]:
                every.append(None)
                continue
            low, high = (np.searchsorted(above, 1 + (above[-1] - 1) * p) for p in (_RANGE_FROM, _RANGE_TO))
            every.append(round(float(high - low) / _PER_LU, 2))
        return every

    @staticmethod
    def _gate(counts: npt.NDArray[np.int64], sums: Numbers, relative: float) -> int:
        """The first cell above the gate that lies `relative` LU from the mean of all."""
        if not counts.sum():
            return 0
        level = float(_loudness(sums.sum() / counts.sum())) + relative
        return max(0, math.ceil((level - _ABSOLUTE_GATE) * _PER_LU))


def _energy(lufs: float) -> float:
    return float(10 ** ((lufs - _OFFSET) / 10))


def _loudness(energy: npt.ArrayLike) -> Numbers:
    return np.asarray(_OFFSET + 10 * np.log10(np.asarray(energy, np.float64)))


def _lufs(energy: float) -> float | None:
    """None below the absolute gate: there is nothing to hear."""
    return round(float(_loudness(energy)), 2) if energy > _energy(_ABSOLUTE_GATE) else None


def measure_loudness(
    samples: npt.NDArray[np.floating], rate: int, weights: Sequence[float] | None = None
) -> tuple[tuple[Loudness, ...], Loudness]:
    """Of `samples` (samples, channels), ±1, at `rate` Hz: each channel's, and all channels' together.

    `weights` (channels,) as `weights_of` gives them; without, all channels count alike.
    """
    return run(LoudnessMeter(rate, samples.shape[1], weights), samples, rate)
