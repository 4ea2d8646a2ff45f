"""From a rough line to an exact one: generalised cross-correlation with phase transform, window by window.

C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of time delay", IEEE Trans.
ASSP 24(4), 1976, describe the weighting: every frequency counts by its phase alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft

from ingest.sound.whiten import LOWEST_HZ, Signal

WINDOWS = 160
WINDOW_SECONDS = 4.096
REACH_SECONDS = 0.025  # how far off the rough line may be
_GATE_SECONDS = 0.003  # how far one window's peak may be from the peak of all
_ON_LINE_SECONDS = 0.0005
_TRUSTED = 4.5  # a window's peak, in deviations of its correlation: chance gives 4 in one of 50
DRIFT_SPAN_SECONDS = 30.0  # drift is measured over no less: 0.05 ms of error would be 2 in a million

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Exact:
    """sound = shift + picture · (1 + drift), in seconds. `agreeing` of `tested` windows lie on it.

    `drift` is None where the windows that agree span too little to tell; the line is level then.
    """

    shift: float
    drift: float | None
    agreeing: int
    tested: int


def measure_line(picture: Signal, sound: Signal, rate: int, shift: float, drift: float) -> Exact | None:
    """The exact line near the rough one. None when no window shows a peak that can be trusted."""
    centres, size = _windows(len(picture) / rate, len(sound) / rate, shift, drift)
    reach = round(REACH_SECONDS * rate)
    rows, at, base = [], [], []
    for centre in centres:
        there = shift + centre * (1 + drift)
        one = _cut(picture, rate, centre, size)
        other = _cut(sound, rate, there, size)
        if one is None or other is None:
            continue
        rows.append(_phase_correlation(one[0], other[0], rate, reach))
        at.append(one[1])
        base.append(other[1])
    if not rows:
        return None
    return _fit(np.array(rows), np.array(at), np.array(base), rate, shift, drift)


def _windows(picture: float, sound: float, shift: float, drift: float) -> tuple[Floats, float]:
    """Centres of windows in seconds of the picture, all of them inside both, and their length."""
    first, last = max(0.0, -shift / (1 + drift)), min(picture, (sound - shift) / (1 + drift))
    size = min(WINDOW_SECONDS, last - first)
    if size < 0.25:
        return np.empty(0), 0.0
    count = max(1, min(WINDOWS, int(2 * (last - first) / size) - 1))
    return np.linspace(first + size / 2, last - size / 2, count), size


def _cut(signal: Signal, rate: int, centre: float, seconds: float) -> tuple[Signal, float] | None:
    """A window, and the exact second of its middle. None where it is silent."""
    count = int(seconds * rate)
    start = min(max(0, round(centre * rate - count / 2)), len(signal) - count)
    piece = signal[start : start + count] if start >= 0 else signal[:0]
    if count == 0 or len(piece) != count or np.count_nonzero(piece) < count // 2:
        return None
    return piece, (start + count / 2) / rate


def _phase_correlation(one: Signal, other: Signal, rate: int, reach: int) -> Signal:
    """Correlation for lags -reach..reach of `other` behind `one`, by phase alone."""
    size = scipy.fft.next_fast_len(len(one) + reach, real=True)
    window = np.hanning(len(one)).astype(np.float32)
    cross = np.conj(scipy.fft.rfft(one * window, size)) * scipy.fft.rfft(other * window, size)
    hertz = scipy.fft.rfftfreq(size, 1 / rate)
    band = (hertz >= LOWEST_HZ) & (hertz <= 0.45 * rate)
    cross = np.where(band, cross / np.maximum(np.abs(cross), np.finfo(np.float32).tiny), 0)
    whole = scipy.fft.irfft(cross, size)
    return np.concatenate((whole[-reach:], whole[: reach + 1])).astype(np.float32)


def _fit(rows: Floats, at: Floats, base: Floats, rate: int, shift: float, drift: float) -> Exact | None:
    """The line through the windows' peaks. `rows` has shape (windows, lags), lag 0 in the middle."""
    lags, heights = _peaks(rows, round(_GATE_SECONDS * rate))
    # How far each window is off the rough line, in seconds. Windows begin at whole samples: `base`.
    off = lags / rate + base - (shift + at * (1 + drift))
    trusted = heights >= _TRUSTED
    if not trusted.any():
        return None
    slope, level = _robust_line(at[trusted], off[trusted])
    near = trusted & (np.abs(off - level - slope * at) <= _ON_LINE_SECONDS)
    if np.count_nonzero(near) > 2 and np.ptp(at[near]) >= DRIFT_SPAN_SECONDS:
        slope, level = (float(value) for value in np.polyfit(at[near], off[near], 1, w=heights[near]))
    agreeing = trusted & (np.abs(off - level - slope * at) <= 2 * _ON_LINE_SECONDS)
    if not agreeing.any():
        return None
    count = int(np.count_nonzero(agreeing))
    if np.ptp(at[agreeing]) >= DRIFT_SPAN_SECONDS:
        return Exact(shift + level, drift + slope, count, len(rows))
    # Too short to tell a drift: a level line, right in the middle of what was heard.
    middle = float(np.median(at[agreeing]))
    return Exact(shift + level + (drift + slope) * middle, None, count, len(rows))


def _peaks(rows: Floats, gate: int) -> tuple[Floats, Floats]:
    """Each window's lag in samples, and its height in deviations of its row: near the peak of all together.

    A microphone may have the opposite polarity; all windows share it.
    """
    reach = rows.shape[1] // 2
    summed = rows.sum(axis=0)
    middle = int(np.argmax(np.abs(summed)))
    turned = rows * np.sign(summed[middle])
    low, high = max(1, middle - gate), min(2 * reach, middle + gate + 1)
    away = np.ones(rows.shape[1], bool)
    away[low:high] = False
    deviation = turned[:, away].std(axis=1) + np.finfo(np.float32).tiny
    places = low + np.argmax(turned[:, low:high], axis=1)
    lags = np.array([_vertex(row, place) for row, place in zip(turned, places.tolist(), strict=True)])
    return lags - reach, turned[:, low:high].max(axis=1) / deviation


def _vertex(row: Floats, place: int) -> float:
    """The top of the parabola through a peak and its neighbours, in samples."""
    if not 0 < place < len(row) - 1:
        return float(place)
    left, top, right = (float(value) for value in row[place - 1 : place + 2])
    bend = left - 2 * top + right
    return place + (0.5 * (left - right) / bend if bend < 0 else 0.0)


def _robust_line(at: Floats, off: Floats) -> tuple[float, float]:
    """Slope and level of the line through most points: Theil and Sen's, over pairs that are far apart."""
    middle = float(np.median(off))
    if np.ptp(at) < DRIFT_SPAN_SECONDS:
        return 0.0, middle
    one, other = np.triu_indices(len(at), 1)
    apart = at[other] - at[one]
    far = np.abs(apart) >= DRIFT_SPAN_SECONDS / 3
    slope = float(np.median((off[other] - off[one])[far] / apart[far]))
    return slope, float(np.median(off - slope * at))
