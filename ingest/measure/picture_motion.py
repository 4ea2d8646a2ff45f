"""How the picture moves from one frame to the next: shift, scale and roll of the whole, and what departs.

Phase correlation of six blocks (C. D. Kuglin and D. C. Hines, "The phase correlation image alignment
method", 1975). The cross power is weighed by a Gaussian, so that its peak is one, and three of its points
give parts of a pixel.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.measure.picture_plane import Plane, halve

_BLOCKS_ACROSS, _BLOCKS_DOWN = 3, 2
_SPREAD = 0.12  # of the Gaussian, cycles a pixel: what is finer is mostly noise
_SURE = 0.2  # of a perfect match's peak; below it is chance
Blocks = npt.NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class FrameMotion:
    """From the frame before to this one, as shares of the picture's height; positive is right and down.

    `scale` is 0.01 for a picture that grew by 1 %; `roll` in radians, clockwise. `departing` is the median
    distance of the sure blocks' shifts from what those four explain, `largest` the greatest; `sure` the
    share of blocks that could be followed. All zero where none could.
    """

    right: float
    down: float
    scale: float
    roll: float
    departing: float
    largest: float
    sure: float


STILL = FrameMotion(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def block_spectra(plane: Plane) -> Blocks:
    """Spectra of the blocks of one small picture (height, width), to compare with those of the next."""
    half = halve(plane)
    height, width = half.shape[0] // _BLOCKS_DOWN // 2 * 2, half.shape[1] // _BLOCKS_ACROSS // 2 * 2
    rows = half[: height * _BLOCKS_DOWN, : width * _BLOCKS_ACROSS]
    grid = rows.reshape(_BLOCKS_DOWN, height, _BLOCKS_ACROSS, width)
    blocks = grid.swapaxes(1, 2).reshape(-1, height, width)
    window = np.outer(np.hanning(height), np.hanning(width)).astype(np.float32)
    level = (blocks * window).sum(axis=(1, 2), keepdims=True) / window.sum()
    return np.asarray(np.fft.rfft2((blocks - level) * window), np.complex64)


def measure_motion(before: Blocks, after: Blocks, height: int, width: int) -> FrameMotion:
    """The motion between two small pictures of `height` × `width`, given their `block_spectra`."""
    block_height, block_width = height // 2 // _BLOCKS_DOWN // 2 * 2, width // 2 // _BLOCKS_ACROSS // 2 * 2
    cross = after * before.conj()
    size = np.abs(cross)
    cross /= size + 1e-3 * size.mean(axis=(1, 2), keepdims=True) + 1e-9
    surface = np.fft.irfft2(cross * _weights(block_height, block_width), s=(block_height, block_width))
    shifts = np.array([_peak(one) for one in surface])
    sure = shifts[:, 2] > _SURE
    if not sure.any():
        return STILL
    moved = shifts[sure, :2] * (2 / height)
    y, x = np.divmod(np.flatnonzero(sure), _BLOCKS_ACROSS)
    places = np.column_stack(
        [
            (x - (_BLOCKS_ACROSS - 1) / 2) * block_width * 2 / height,
            (y - (_BLOCKS_DOWN - 1) / 2) * block_height * 2 / height,
        ]
    )
    return _fit(places, moved, float(sure.mean()))


@functools.cache
def _weights(height: int, width: int) -> npt.NDArray[np.float32]:
    """A Gaussian over the frequencies of a block, such that a perfect match peaks at 1."""
    down, across = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :]
    weights = np.exp(-(down**2 + across**2) / (2 * _SPREAD**2))
    weights /= np.fft.irfft2(weights, s=(height, width))[0, 0]
    return np.asarray(weights, np.float32)


def _fit(places: npt.NDArray[np.float64], moved: npt.NDArray[np.float64], sure: float) -> FrameMotion:
    """Shift, scale and roll that explain most blocks; those that depart do not pull at it."""
    right, down = np.median(moved, axis=0)
    scale = roll = 0.0
    if len(places) >= 4:
        away, rest = places - places.mean(axis=0), moved - moved.mean(axis=0)
        reach = float((away**2).sum())
        scale = float((away * rest).sum() / reach)
        roll = float((away[:, 0] * rest[:, 1] - away[:, 1] * rest[:, 0]).sum() / reach)
    turn = np.array([[scale, roll], [-roll, scale]])
    shifted = moved - places @ turn
    right, down = np.median(shifted, axis=0)
    off = np.hypot(*(shifted - (right, down)).T)
    return FrameMotion(float(right), float(down), scale, roll, float(np.median(off)), float(off.max()), sure)


def _peak(surface: npt.NDArray[np.float64]) -> tuple[float, float, float]:
    """Shift right, shift down and height of the highest peak, to parts of a pixel."""
    height, width = surface.shape
    y, x = divmod(int(surface.argmax()), width)
    top = float(surface[y, x])
    right = x + _vertex(float(surface[y, x - 1]), top, float(surface[y, (x + 1) % width]))
    down = y + _vertex(float(surface[y - 1, x]), top, float(surface[(y + 1) % height, x]))
    return (
        right - width if right > width / 2 else right,
        down - height if down > height / 2 else down,
        top,
    )


def _vertex(left: float, middle: float, right: float) -> float:
    if min(left, middle, right) <= 0:
        return 0.0
    low, top, high = math.log(left), math.log(middle), math.log(right)
    bend = low - 2 * top + high
    return 0.0 if bend >= 0 else max(-0.5, min(0.5, (low - high) / (2 * bend)))


@dataclass(frozen=True, slots=True)
class MotionTrack:
    """`FrameMotion` over time, one number a frame, each (frames,); the first frame has moved nowhere."""

    right: npt.NDArray[np.float64]
    down: npt.NDArray[np.float64]
    scale: npt.NDArray[np.float64]
    roll: npt.NDArray[np.float64]
    departing: npt.NDArray[np.float64]
    largest: npt.NDArray[np.float64]
    sure: npt.NDArray[np.float64]

    @classmethod
    def of(cls, frames: Sequence[FrameMotion]) -> MotionTrack:
        names = ("right", "down", "scale", "roll", "departing", "largest", "sure")
        return cls(*(np.array([getattr(one, name) for one in frames], np.float64) for name in names))
