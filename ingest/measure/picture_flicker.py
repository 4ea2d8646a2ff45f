"""Lamps on the mains, seen by a shutter: bands that roll through the picture, or a picture that pulses.

A lamp on alternating current is brightest twice a period: 100 times a second on a supply of 50 Hz, 120 on
one of 60 Hz. A camera of r pictures a second shows that as a beat of its distance from the nearest multiple
of r. With rows read one after another the beat has another phase in each: bands.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.measure.picture_numbers import Flicker
from ingest.measure.picture_plane import Plane

SUPPLIES = (50, 60)
ROWS = 45
Profiles = npt.NDArray[np.float64]


def row_profile(plane: Plane, rows: int = ROWS) -> npt.NDArray[np.float64]:
    """Mean light of `rows` equal groups of rows of one picture (height, width), codes of 8 bits."""
    height = plane.shape[0] // rows * rows
    if height == 0:
        raise ValueError(f"a picture of {plane.shape[0]} lines is too small to look for bands")
    return np.asarray(plane[:height].reshape(rows, -1).mean(axis=1), np.float64)


def beat_of(supply: int, per_second: float) -> float:
    """How often a second the light of this supply seems to pulse, 0 where the pictures hide it."""
    lamp = 2 * supply
    return abs(lamp - round(lamp / per_second) * per_second)


def measure_flicker(profiles: Profiles, per_second: float) -> tuple[Flicker, ...]:
    """The beat of each supply that these pictures can show; `profiles` (frames, rows) at an even rate.

    A supply whose beat is slower than two periods of the stretch can't be told from the scene: it is left
    out. 25 and 50 pictures a second hide 50 Hz, 30 and 60 hide 60 Hz.
    """
    frames = len(profiles)
    if frames < 16:
        return ()
    light = np.log(np.maximum(profiles, 1.0))
    time = np.arange(frames)
    light = light - light.mean(axis=0)
    slope = (time - time.mean()) / ((time - time.mean()) ** 2).sum()
    light -= np.outer(time - time.mean(), slope @ light)
    # Blackman: a moving scene is strong at low frequencies and must not leak into the beat.
    window = np.blackman(frames)[:, None]
    found = []
    step = per_second / frames
    for supply in SUPPLIES:
        beat = beat_of(supply, per_second)
        if beat < 3.5 * step or beat > per_second / 2 - 3.5 * step:
            continue
        line = _at(light * window, beat / per_second)
        others = [
            np.abs(_at(light * window, (beat + side * away * step) / per_second)).mean()
            for side in (-1, 1)
            for away in (3.5, 4.5, 5.5, 6.5)
            if 2 * step < beat + side * away * step < per_second / 2 - step
        ]
        around = float(np.median(others)) if others else 0.0
        depth = float(np.abs(line).mean())
        found.append(Flicker(supply, beat, depth, depth / max(around, 1e-6), _bands(line)))
    return tuple(found)


def _at(light: Profiles, frequency: float) -> npt.NDArray[np.complex128]:
    """Amplitude of each row at a frequency in cycles a picture."""
    frames = len(light)
    wave = np.exp(-2j * np.pi * frequency * np.arange(frames))
    return np.asarray(2 * (wave @ light) / np.blackman(frames).sum(), np.complex128)


def _bands(line: npt.NDArray[np.complex128]) -> float:
    """Turns of the phase from the top row to the bottom one."""
    turn = np.angle((line[1:] * line[:-1].conj()).sum())
    turns = abs(float(turn)) * (len(line) - 1) / (2 * np.pi)
    return turns if turns > 0.25 else 0.0
