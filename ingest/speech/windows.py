"""Where long sound is cut so that no word is: at the quietest place between ten and thirty seconds."""

from __future__ import annotations

import numpy as np

from ingest.sound.whiten import Signal

LEAST_SECONDS, MOST_SECONDS = 10, 30
_STEP_SECONDS = 0.01
_PAUSE_STEPS = 25  # a quarter of a second: what is quiet for less may be inside a word
_NOTHING = 1e-9  # of full scale: far below the least that 24 bits can say
SILENCE = 10 ** (-66 / 20)  # of full scale; at this peak there is nobody to hear. Common practice, no source.


def cut_after(signal: Signal, rate: int) -> int:
    """How many samples of `signal` (one channel, from the last cut on) the next window holds.

    All of it where it is no longer than the longest window.
    """
    if len(signal) <= MOST_SECONDS * rate:
        return len(signal)
    step = int(_STEP_SECONDS * rate)
    first = LEAST_SECONDS * rate
    stretch = signal[first : MOST_SECONDS * rate]
    steps = len(stretch) // step
    power = np.square(stretch[: steps * step].reshape(steps, step), dtype=np.float64).mean(axis=1)
    around = np.convolve(power, np.ones(_PAUSE_STEPS), mode="valid")
    quietest = int(np.argmin(around)) + _PAUSE_STEPS // 2
    return first + quietest * step


def is_silent(signal: Signal) -> bool:
    return not len(signal) or float(np.abs(signal).max()) < SILENCE


def to_pcm(signal: Signal) -> bytes:
    """16-bit whole numbers, the loudest at 70 % of full scale: levels are of no matter to a recogniser."""
    loudest = float(np.abs(signal).max()) if len(signal) else 0.0
    scaled = signal * (0.7 * 32767 / loudest) if loudest > _NOTHING else np.zeros_like(signal)
    return np.round(scaled).astype("<i2").tobytes()
