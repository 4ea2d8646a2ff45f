"""Recordings for the tests of sync: invented speech, and what rooms, distances, noise and clocks do to it.

Everything follows from a seed. Nothing here is the code under test: drift is made by interpolating a source
of twice the rate, reverberation by convolving with a decaying noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from scipy.signal import butter, fftconvolve, sosfilt

Signal = npt.NDArray[np.float32]

RATE = 8000
SOURCE_RATE = 16_000
_VOWELS = ((700, 1150), (400, 1900), (300, 850), (520, 1600), (620, 1050), (340, 2200), (480, 1300))


def speak(seconds: float, seed: int) -> Signal:
    """Speech-like sound at SOURCE_RATE: syllables of harmonics under two formants, breath, pauses."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * SOURCE_RATE), np.float32)
    pitch = rng.uniform(90, 220)
    at = rng.uniform(0, 0.4)
    while at < seconds:
        if rng.random() < 0.09:
            at += rng.uniform(0.5, 3.0)  # a breath, or somebody listening
        length = rng.uniform(0.09, 0.32)
        syllable = _syllable(pitch, length, rng) if rng.random() < 0.75 else _consonant(length / 2, rng)
        start = round(at * SOURCE_RATE)
        piece = out[start : start + len(syllable)]
        piece += syllable[: len(piece)]
        at += length * rng.uniform(0.85, 1.3)
    return out


def _syllable(pitch: float, length: float, rng: np.random.Generator) -> Signal:
    time = (np.arange(round(length * SOURCE_RATE)) / SOURCE_RATE).astype(np.float32)
    pitch *= rng.uniform(0.8, 1.3)
    phase = np.float32(2 * np.pi * pitch) * (time + np.float32(rng.uniform(-0.4, 0.3)) * time * time)
    low, high = _VOWELS[int(rng.integers(len(_VOWELS)))]
    wave = np.zeros(len(time), np.float32)
    for harmonic in range(1, int(3400 / pitch)):
        hertz = harmonic * pitch
        weight = 1 / (1 + ((hertz - low) / 110) ** 2) + 0.5 / (1 + ((hertz - high) / 160) ** 2) + 0.03
        wave += np.float32(weight) * np.sin(harmonic * phase + np.float32(rng.uniform(0, 6.28)))
    shape = np.sqrt(np.hanning(len(time)).astype(np.float32))
    loudness = 0.3 * rng.uniform(0.3, 1.0) / (np.abs(wave).max() + 1e-9)
    return np.asarray(loudness * wave * shape, np.float32)


def _consonant(length: float, rng: np.random.Generator) -> Signal:
    noise = rng.standard_normal(round(length * SOURCE_RATE)).astype(np.float32)
    return (0.04 * np.diff(noise, prepend=np.float32(0)) * np.hanning(len(noise))).astype(np.float32)


def noise(count: int, rng: np.random.Generator) -> Signal:
    """What goes on around a microphone: noise that falls with frequency, swelling and sinking, and hum."""
    falling = sosfilt(butter(1, 200, fs=RATE, output="sos"), rng.standard_normal(count).astype(np.float32))
    white = 0.15 * rng.standard_normal(count).astype(np.float32)
    knots = rng.uniform(0.4, 1.4, count // (RATE * 3) + 2)
    swell = np.interp(np.arange(count), np.arange(len(knots)) * RATE * 3, knots)
    hum = 0.3 * np.sin(2 * np.pi * 100 * np.arange(count) / RATE + rng.uniform(0, 6.28))
    made = (falling / falling.std() + white) * swell + hum
    return np.asarray(made / made.std(), np.float32)


def room(rng: np.random.Generator, seconds: float, direct_db: float) -> Signal:
    """An impulse response: the direct sound, then a tail of noise that dies in `seconds` (RT60).

    `direct_db`: energy of the direct sound over that of all the rest.
    """
    count = round(seconds * RATE)
    tail = rng.standard_normal(count) * 10 ** (-3 * np.arange(count) / count)
    tail[: round(0.002 * RATE)] = 0
    tail *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    return tail.astype(np.float32)


@dataclass(frozen=True)
class Microphone:
    """How one recorder hears: signal over noise, the room, its gain, its polarity."""

    snr_db: float = 20.0
    rt60: float = 0.0
    direct_db: float = 6.0
    gain: float = 1.0
    seed: int = 0


def record(source: Signal, first: float, seconds: float, clock: float, microphone: Microphone) -> Signal:
    """What a recorder keeps of a source, at RATE of its own clock. `first`: second of the source.

    `clock` is how fast its crystal is: 20e-6 takes 20 in a million samples too many. Before and behind the
    source there is only the noise.
    """
    rng = np.random.default_rng((7, microphone.seed))
    count = round(seconds * RATE)
    places = (first + np.arange(count) / (RATE * (1 + clock))) * SOURCE_RATE
    heard = map_coordinates(source, [places], output=np.float32, order=3, mode="constant", prefilter=True)
    if microphone.rt60:
        heard = fftconvolve(heard, room(rng, microphone.rt60, microphone.direct_db))[:count]
    level = float(np.sqrt(np.mean(heard**2))) or 1.0
    mixed = heard + noise(count, rng) * level * 10 ** (-microphone.snr_db / 20)
    return np.asarray(microphone.gain * mixed / np.abs(mixed).max() * 0.5, np.float32)


@dataclass(frozen=True)
class Truth:
    """sound = offset + picture · (1 + drift), seconds, as `ingest.sound.sync` has it."""

    offset: float
    drift: float

    def __call__(self, picture: float) -> float:
        return self.offset + picture * (1 + self.drift)


def truth_of(picture_first: float, picture_clock: float, sound_first: float, sound_clock: float) -> Truth:
    """From where in the source both begin and how fast their clocks are."""
    return Truth(
        (picture_first - sound_first) * (1 + sound_clock), (1 + sound_clock) / (1 + picture_clock) - 1
    )
