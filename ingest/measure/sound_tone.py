"""A steady sine, as recorders give it to line levels up: nearly all energy at one frequency, at one level.

The common tones are 1 kHz, or 997 Hz where samples are not to repeat (AES17), at -18 dBFS (EBU R 68) or
-20 dBFS (SMPTE RP 155); numbers from memory. What is taken for one tone is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.fft import rfft

from ingest.measure.sound_blocks import Block, Samples, power_of, run, to_db
from ingest.measure.sound_low import Lowering, Windows
from ingest.measure.sound_numbers import FLOOR_DB, Tone

_WINDOW_SECONDS = 0.5
_PURE = 0.98  # of the energy, so that all else is 17 dB lower
_SAME_HERTZ, _SAME_DB = 0.005, 0.5
_FAINT_DB = -60.0
_LOWEST_HERTZ = 100.0
_WIDE = 2  # cells on each side that hold a sine's energy under a Hann window

NO_TONE = Tone(0.0, FLOOR_DB, 0.0)


class ToneMeter:
    """Accumulator of `measure_tone`, of samples at the rate of `Lowering`."""

    def __init__(self, low_rate: float, channels: int) -> None:
        self._length = round(_WINDOW_SECONDS * low_rate)
        self._seconds = self._length / low_rate
        self._windows = Windows(self._length, self._length, channels)
        self._taper = np.hanning(self._length + 1)[:-1].astype(np.float32)
        self._cell = low_rate / self._length
        self._best = [NO_TONE] * channels
        self._now = [NO_TONE] * channels

    def add(self, planes: Samples) -> None:
        """(channels, samples)."""
        for row, windows in enumerate(self._windows.add(planes)):
            for window in windows:
                self._take(row, self._tone(window))

    def _take(self, row: int, tone: Tone) -> None:
        now = self._now[row]
        goes_on = (
            tone.seconds > 0
            and abs(tone.hertz - now.hertz) <= _SAME_HERTZ * tone.hertz
            and abs(tone.level_db - now.level_db) <= _SAME_DB
        )
        self._now[row] = Tone(now.hertz, now.level_db, now.seconds + tone.seconds) if goes_on else tone
        if self._now[row].seconds > self._best[row].seconds:
            self._best[row] = self._now[row]

    def _tone(self, window: npt.NDArray[np.float32]) -> Tone:
        """The sine that half a second is; NO_TONE where it is none."""
        level = float(to_db(2 * float(window @ window) / len(window)))
        if level < _FAINT_DB:
            return NO_TONE
        power = power_of(rfft((window - window.mean()) * self._taper))
        top = int(power.argmax())
        if top * self._cell < _LOWEST_HERTZ or top >= len(power) - _WIDE:
            return NO_TONE
        if float(power[top - _WIDE : top + _WIDE + 1].sum()) < _PURE * float(power.sum()):
            return NO_TONE
        left, middle, right = np.log(np.maximum(power[top - 1 : top + 2], 1e-30))
        place = top + 0.5 * float(left - right) / float(left - 2 * middle + right)
        return Tone(place * self._cell, level, self._seconds)

    def result(self) -> tuple[Tone, ...]:
        return tuple(Tone(round(t.hertz, 1), round(t.level_db, 1), round(t.seconds, 2)) for t in self._best)


class _FromBlocks:
    def __init__(self, rate: int, channels: int) -> None:
        self._lowering = Lowering(rate, channels)
        self._meter = ToneMeter(self._lowering.rate, channels)

    def add(self, block: Block) -> None:
        self._meter.add(self._lowering.add(block))

    def result(self) -> tuple[Tone, ...]:
        return self._meter.result()


def measure_tone(samples: npt.NDArray[np.floating], rate: int) -> tuple[Tone, ...]:
    """The longest steady tone of each channel of `samples` (samples, channels), ±1, at `rate` Hz."""
    return run(_FromBlocks(rate, samples.shape[1]), samples, rate)
