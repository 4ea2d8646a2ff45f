"""Speech: the share of the time in which somebody speaks, told by how a voice moves.

A voice between 300 and 3400 Hz swings by 12 dB and more several times a second, never quite regularly, and
many of its louder frames, but not all, repeat themselves at a pitch between 70 and 400 Hz that does not stand
still. Room tone, wind and running machines don't swing; a ratchet, steps and drums are regular or have no
pitch; a note keeps its pitch. Each second is as likely as the least of these says. The limits were chosen on
voices made by two synthesisers at 40 to 5 dB over the noise of a room, on generated music and on noises
(common practice, no source).

Not told apart: a voice that sings, and an instrument played with bends. Whispering is missed, and so is
speech less than about 5 dB above what goes on around it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft, next_fast_len, rfft

from ingest.measure.sound_blocks import Block, Curve, Numbers, Samples, power_of, run, to_db, whole
from ingest.measure.sound_low import Lowering, Windows
from ingest.measure.sound_numbers import Speech

_FRAME_SECONDS, _HOP_SECONDS = 0.064, 0.016
_BAND = (300.0, 3400.0)
_PITCH = (70.0, 400.0)
_LEAST_FRAMES = 30  # half a second: less can't be judged
_MOVE = 3  # frames over which the pitch of a voice has moved
# Of each number: where the likelihood is none, and from where on it is whole.
_SPREAD_DB, _SWING_DB = (7.0, 12.0), (0.8, 1.4)
_VOICED, _ALL_VOICED = (0.08, 0.20), (0.97, 0.90)
_MOVING, _REGULAR = (0.0010, 0.0020), (0.90, 0.70)
_LEVEL_DB = (-70.0, -60.0)
_LOUDER_DB, _PERIODIC = 15.0, 0.6


class Features:
    """Frames of 64 ms each 16 ms: level of the voice band in dB, how periodic, and at what pitch in Hz."""

    def __init__(self, low_rate: float, channels: int) -> None:
        length = round(_FRAME_SECONDS * low_rate)
        self.hop_seconds = round(_HOP_SECONDS * low_rate) / low_rate
        self._windows = Windows(length, round(_HOP_SECONDS * low_rate), channels)
        self._taper = np.hanning(length + 1)[:-1].astype(np.float32)
        self._lags = np.arange(round(low_rate / _PITCH[1]), round(low_rate / _PITCH[0]) + 1)
        self._size = next_fast_len(length + len(self._lags) + int(self._lags[0]), real=True)
        hertz = np.fft.rfftfreq(self._size, 1 / low_rate)
        self._band = (hertz >= _BAND[0]) & (hertz <= _BAND[1])
        self._voice = ((hertz >= _PITCH[0]) & (hertz <= 1500)).astype(np.float32)
        own = irfft(np.abs(rfft(self._taper, self._size)) ** 2, self._size)
        self._own = (own / own[0])[self._lags].astype(np.float32)
        self._rate = low_rate
        self._scale = 2 / (float(np.square(self._taper).sum()) * self._size)

    def add(self, planes: Samples) -> tuple[Numbers, Numbers, Numbers]:
        """Three arrays (channels, frames)."""
        windows = self._windows.add(planes)
        power = power_of(rfft(windows * self._taper, self._size, axis=2))
        level = to_db(power[:, :, self._band].sum(axis=2) * self._scale)
        again = irfft(power * self._voice, self._size, axis=2)
        lags = self._lags
        likeness = again[:, :, lags[0] : lags[-1] + 1] / np.maximum(again[:, :, :1], 1e-20) / self._own
        best = likeness.argmax(axis=2)
        at = np.clip(best, 1, len(lags) - 2)[..., np.newaxis]
        a, b, c = (np.take_along_axis(likeness, at + k, axis=2)[..., 0] for k in (-1, 0, 1))
        shift = np.clip((a - c) / np.where(np.abs(a - 2 * b + c) < 1e-9, 1, 2 * (a - 2 * b + c)), -0.5, 0.5)
        pitch = self._rate / (lags[at[..., 0]] + shift)
        return level, likeness.max(axis=2), pitch


class SpeechMeter:
    """Accumulator of `measure_speech`, of samples at the rate of `Lowering`."""

    def __init__(self, low_rate: float, channels: int) -> None:
        self._features = Features(low_rate, channels)
        self._second = round(1 / self._features.hop_seconds)  # frames
        self._held: list[Numbers] = [np.zeros((channels, 0)) for _ in range(3)]
        self._skipped = 0  # seconds that `_held` begins with and that are judged already, 0 or 1
        self._curve = Curve(channels, mean=True)
        self._speaking, self._judged = np.zeros(channels), 0

    def add(self, planes: Samples) -> None:
        """(channels, samples)."""
        new = self._features.add(planes)
        self._held = [np.concatenate(both, axis=1) for both in zip(self._held, new, strict=True)]
        while self._held[0].shape[1] >= (self._skipped + 2) * self._second:
            self._judge_next()

    def _judge_next(self) -> None:
        """Judge a second by itself and the ones before and after it."""
        end = (self._skipped + 2) * self._second
        level, likeness, pitch = (one[:, :end] for one in self._held)
        likely = np.array([likelihood(*rows) for rows in zip(level, likeness, pitch, strict=True)])
        self._curve.add(likely * 100)
        self._speaking += likely >= 0.5
        self._judged += 1
        if self._skipped:
            self._held = [one[:, self._second :] for one in self._held]
        self._skipped = 1

    def result(self) -> tuple[Speech, ...]:
        left = self._held[0].shape[1] - self._skipped * self._second
        if left >= self._second / 2 or not self._judged:
            self._judge_next()
        curve, _ = self._curve.result()
        shares = self._speaking / max(1, self._judged)
        return tuple(Speech(round(float(s), 3), whole(c)) for s, c in zip(shares, curve, strict=True))

    @property
    def point_seconds(self) -> float:
        """How long a point of the curve is."""
        return self._curve.result()[1] * self._second * self._features.hop_seconds


def likelihood(level: Numbers, likeness: Numbers, pitch: Numbers) -> float:
    """How likely frames (frames,) of up to 3 s are speech, 0..1."""
    if len(level) < _LEAST_FRAMES:
        return 0.0
    ordered = np.sort(level)
    low, high = ordered[len(level) // 10], ordered[len(level) * 9 // 10]
    likely = min(_ramp(float(high), _LEVEL_DB), _ramp(float(high - low), _SPREAD_DB))
    if not likely:
        return 0.0  # most of what is no speech, and quickly told
    voiced = (level > high - _LOUDER_DB) & (likeness > _PERIODIC)
    share = float(np.count_nonzero(voiced)) / len(voiced)
    likely = min(likely, _ramp(share, _VOICED), _ramp(share, _ALL_VOICED))
    if not likely:
        return 0.0
    smooth = np.convolve(level, np.ones(5) / 5, "valid")
    return min(
        likely,
        _ramp(float(np.abs(np.diff(smooth[::2])).mean()), _SWING_DB),
        _ramp(_movement(voiced, pitch), _MOVING),
        _ramp(_regularity(np.maximum(level, high - 25)), _REGULAR),
    )


def _movement(voiced: npt.NDArray[np.bool_], pitch: Numbers) -> float:
    """Median change of the pitch within voiced stretches over three frames, as a share of it."""
    runs = voiced[3:] & voiced[2:-1] & voiced[1:-2] & voiced[:-3]
    change = np.abs(np.log(pitch[_MOVE:][runs] / pitch[:-_MOVE][runs]))
    change = change[change < 0.2]  # beyond it the pitch was mistaken for its double or half
    return float(np.median(change)) if len(change) >= 5 else 0.0


def _regularity(level: Numbers) -> float:
    """How much the level repeats itself within a second: 1 for a machine that beats."""
    smooth = np.convolve(level, np.ones(3) / 3, "valid")
    smooth = smooth - smooth.mean()
    count = len(smooth)
    again = np.correlate(smooth, smooth, "full")[count - 1 :]
    if again[0] < 1e-6:
        return 0.0
    again = again / again[0] * count / (count - np.arange(count))
    below = np.flatnonzero(again < 0)
    if not len(below):
        return 0.0
    rest = again[max(6, int(below[0])) : min(62, count // 2)]
    return float(rest.max()) if len(rest) else 0.0


def _ramp(value: float, limits: tuple[float, float]) -> float:
    none, all_of_it = limits
    return min(1.0, max(0.0, (value - none) / (all_of_it - none)))


class _FromBlocks:
    def __init__(self, rate: int, channels: int) -> None:
        self._lowering = Lowering(rate, channels)
        self._meter = SpeechMeter(self._lowering.rate, channels)

    def add(self, block: Block) -> None:
        self._meter.add(self._lowering.add(block))

    def result(self) -> tuple[Speech, ...]:
        return self._meter.result()


def measure_speech(samples: npt.NDArray[np.floating], rate: int) -> tuple[Speech, ...]:
    """One `Speech` a channel, of `samples` (samples, channels), full scale ±1, at `rate` Hz."""
    return run(_FromBlocks(rate, samples.shape[1]), samples, rate)
