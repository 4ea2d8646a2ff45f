"""Wind and handling: low-frequency noise that gusts, and thuds.

Wind on a microphone lies mostly below 80 Hz and never keeps still; the hum of a machine lies there too, but
stays as it is. So three numbers are kept for every second: the share of the energy below 80 Hz, its level,
and how much that level changes from one quarter of a second to the next. A knock on a stand or a hand on the
microphone is a jump of that level by 20 dB and more that is over within 0.75 s. The edge of 80 Hz, where
recorders put their low cut, is common practice, no source.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
import numpy.typing as npt
from scipy.fft import rfft

from ingest.measure.sound_blocks import Block, Curve, Keeping, Numbers, Samples, power_of, run, to_db, whole
from ingest.measure.sound_low import Lowering, Windows
from ingest.measure.sound_numbers import Spans, Wind

EDGE_HERTZ, _LOWEST_HERTZ = 80.0, 8.0
_FRAME_SECONDS = 0.25
_FRAMES = 4  # in a point of the curves
_BUMP_DB, _BUMP_LEAST_DB, _BUMP_SHARE = 20.0, -45.0, 0.6
_BUMP_FRAMES, _BUMP_BEFORE = 3, 20  # how long at most; how many frames before say what is usual


class WindMeter:
    """Accumulator of `measure_wind`, of samples at the rate of `Lowering`."""

    def __init__(self, low_rate: float, channels: int) -> None:
        length = round(_FRAME_SECONDS * low_rate)
        self._windows = Windows(length, length, channels)
        self._taper = np.hanning(length + 1)[:-1].astype(np.float32)
        hertz = np.fft.rfftfreq(length, 1 / low_rate)
        self._low = (hertz >= _LOWEST_HERTZ) & (hertz <= EDGE_HERTZ)
        self._all = hertz >= _LOWEST_HERTZ
        self._scale = 2 / (float(np.square(self._taper).sum()) * length)
        self._seconds = length / low_rate
        self._frame = 0
        self._curves = tuple(Curve(channels, mean=True) for _ in range(3))
        self._pending: list[tuple[Numbers, Numbers]] = []
        self._thuds = [_Thuds() for _ in range(channels)]

    def add(self, planes: Samples) -> None:
        """(channels, samples)."""
        windows = self._windows.add(planes)
        if not windows.shape[1]:
            return
        power = power_of(rfft(windows * self._taper, axis=2)) * self._scale
        low, total = power[:, :, self._low].sum(axis=2), power[:, :, self._all].sum(axis=2)
        for frame in range(windows.shape[1]):
            at = self._frame * self._seconds
            for row, thuds in enumerate(self._thuds):
                thuds.add(at, self._seconds, float(low[row, frame]), float(total[row, frame]))
            self._pending.append((low[:, frame], total[:, frame]))
            self._frame += 1
            if len(self._pending) == _FRAMES:
                self._close()

    def _close(self) -> None:
        low, total = (np.array(one) for one in zip(*self._pending, strict=True))
        self._pending.clear()
        share = low.sum(axis=0) / np.maximum(total.sum(axis=0), 1e-12)
        levels = to_db(low)
        jitter = np.abs(np.diff(levels, axis=0)).mean(axis=0) if len(levels) > 1 else np.zeros(low.shape[1])
        for curve, values in zip(self._curves, (share * 100, low.mean(axis=0), jitter), strict=True):
            curve.add(values)

    def result(self) -> tuple[Wind, ...]:
        if self._pending:
            self._close()
        share, level, jitter = (curve.result()[0] for curve in self._curves)
        return tuple(
            Wind(whole(share[row]), whole(to_db(level[row])), whole(jitter[row]), thuds.result())
            for row, thuds in enumerate(self._thuds)
        )

    @property
    def point_seconds(self) -> float:
        """How long a point of the curves is."""
        return self._curves[0].result()[1] * _FRAMES * self._seconds


class _Thuds:
    """Jumps of one channel's low-frequency level that are soon over."""

    def __init__(self) -> None:
        self._before: deque[float] = deque(maxlen=_BUMP_BEFORE)
        self._kept = Keeping(0.5)
        self._since: float | None = None
        self._loudest, self._frames = -np.inf, 0

    def add(self, at: float, seconds: float, low: float, total: float) -> None:
        level = 10 * math.log10(max(low, 1e-12))
        usual = sorted(self._before)[len(self._before) // 2] if len(self._before) >= _BUMP_FRAMES else np.inf
        jumped = level >= max(usual + _BUMP_DB, _BUMP_LEAST_DB) and low >= _BUMP_SHARE * total
        if jumped:
            self._since = at if self._since is None else self._since
            self._loudest, self._frames = max(self._loudest, level), self._frames + 1
        elif self._since is not None:
            if self._frames <= _BUMP_FRAMES:
                self._kept.add(self._since, at, self._loudest)
            self._since, self._loudest, self._frames = None, -np.inf, 0
        self._before.append(level)

    def result(self) -> Spans:
        return self._kept.spans()


class _FromBlocks:
    def __init__(self, rate: int, channels: int) -> None:
        self._lowering = Lowering(rate, channels)
        self._meter = WindMeter(self._lowering.rate, channels)

    def add(self, block: Block) -> None:
        self._meter.add(self._lowering.add(block))

    def result(self) -> tuple[Wind, ...]:
        return self._meter.result()


def measure_wind(samples: npt.NDArray[np.floating], rate: int) -> tuple[Wind, ...]:
    """One `Wind` a channel, of `samples` (samples, channels), full scale ±1, at `rate` Hz."""
    return run(_FromBlocks(rate, samples.shape[1]), samples, rate)
