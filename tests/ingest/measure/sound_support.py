"""Signals for the tests of sound measures, all from a seed. Shape (samples,) at 48 kHz, full scale ±1.

None of it uses the code under test.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, resample_poly, sosfilt

from tests.ingest.sound_signals import SOURCE_RATE, speak

RATE = 48_000
Signal = npt.NDArray[np.float64]


def seconds_of(seconds: float) -> Signal:
    return np.arange(round(seconds * RATE)) / RATE


def sine(hertz: float, seconds: float, dbfs: float, phase: float = 0.0) -> Signal:
    """`dbfs`: peak. `phase`: degrees."""
    wave = np.sin(2 * np.pi * hertz * seconds_of(seconds) + np.deg2rad(phase))
    return np.asarray(10 ** (dbfs / 20) * wave)


def steps(hertz: float, segments: Sequence[tuple[float, float]]) -> Signal:
    """One sine whose peak level (dBFS) changes: (seconds, level) each, its phase going on."""
    gains = [np.full(round(seconds * RATE), 10 ** (db / 20)) for seconds, db in segments]
    gain = np.concatenate(gains)
    return np.asarray(gain * np.sin(2 * np.pi * hertz * np.arange(len(gain)) / RATE))


def stereo(*channels: Signal) -> npt.NDArray[np.float32]:
    return np.stack(channels, axis=1).astype(np.float32)


def at_level(signal: Signal, dbfs: float) -> Signal:
    """With this RMS."""
    return np.asarray(signal * 10 ** (dbfs / 20) / np.sqrt(np.mean(signal**2)))


def noise(seconds: float, dbfs: float, seed: int, low: float = 40, high: float = 6000) -> Signal:
    """Room tone: noise falling by 3 dB an octave."""
    count = round(seconds * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / RATE)
    spectrum *= np.where((hertz > low) & (hertz < high), 1 / np.sqrt(np.maximum(hertz, 1)), 0)
    return at_level(np.fft.irfft(spectrum, count), dbfs)


@functools.cache
def speech(seconds: float, seed: int, snr_db: float = 35) -> Signal:
    """Syllables and pauses in a room; RMS -25 dBFS."""
    spoken = resample_poly(speak(seconds, seed).astype(np.float64), RATE // SOURCE_RATE, 1)
    return np.asarray(at_level(spoken, -25) + noise(seconds, -25 - snr_db, seed + 100))


@functools.cache
def music(seconds: float, seed: int) -> Signal:
    """Plucked notes over held chords, in equal temperament."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round((seconds + 3) * RATE))
    time = seconds_of(2)
    for start in np.arange(0, seconds, 0.25):
        hertz = 220 * 2 ** (int(rng.choice([-12, -5, 0, 2, 4, 5, 7, 9, 12])) / 12)
        note = sum(np.sin(2 * np.pi * hertz * k * time) / k for k in range(1, 7))
        shape = np.exp(-time / 0.5) * np.minimum(time / 0.004, 1) * np.minimum((2 - time) / 0.05, 1)
        place = round(start * RATE)
        out[place : place + len(time)] += note * shape
    return at_level(out[: round(seconds * RATE)], -20)


@functools.cache
def wind(seconds: float, seed: int) -> Signal:
    """Low noise that gusts twice a second, over a faint room."""
    rng = np.random.default_rng(seed)
    rumble = sosfilt(butter(2, 60, fs=RATE, output="sos"), rng.standard_normal(round(seconds * RATE)))
    knots = rng.uniform(0.05, 1, round(seconds * 2) + 2)
    gusts = np.interp(seconds_of(seconds), np.arange(len(knots)) / 2, knots)
    return np.asarray(at_level(rumble * gusts, -22) + noise(seconds, -60, seed))
