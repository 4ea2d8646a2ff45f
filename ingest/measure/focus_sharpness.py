"""How sharp each part of a picture is: fine detail against coarse detail, tile by tile.

Blur takes the fine detail and leaves the coarse; light and contrast scale both alike, so the ratio of the
two tells blur from light. The energy of second differences is the usual operator for focus (S. Pertuz,
D. Puig and M. A. Garcia, "Analysis of focus measure operators for shape-from-focus", Pattern Recognition
46, 2013); the ratio of two scales is our own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.measure.picture_plane import Plane, halve

COLUMNS, ROWS = 8, 6
FLOOR = 0.5
"""Energy, in codes squared, that is added to each: below it there is noise and rounding, no detail."""

Tiles = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Box:
    """Part of a picture in shares of its width and height, from the upper left corner."""

    left: float
    top: float
    right: float
    bottom: float

    def tiles(self) -> npt.NDArray[np.bool_]:
        """Which tiles (ROWS, COLUMNS) have their middle inside."""
        x = (np.arange(COLUMNS) + 0.5) / COLUMNS
        y = (np.arange(ROWS) + 0.5) / ROWS
        inside = np.outer((y >= self.top) & (y < self.bottom), (x >= self.left) & (x < self.right))
        return np.asarray(inside, np.bool_)


CENTRE = Box(0.25, 0.15, 0.75, 1.0)
"""Where a subject stands when nobody has said where (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class FrameDetail:
    """Energy of detail in each tile of one picture, codes squared; first axis: across, down.

    `fine` and `coarse` are (2, ROWS, COLUMNS), at the picture's own scale and at a quarter of it; `light`
    (ROWS, COLUMNS) is the mean code.
    """

    fine: Tiles
    coarse: Tiles
    light: Tiles


def measure_detail(plane: Plane) -> FrameDetail:
    """The detail of one small picture (height, width), codes of 8 bits. Raises ValueError under 96 × 72."""
    if plane.shape[0] < 12 * ROWS or plane.shape[1] < 12 * COLUMNS:
        raise ValueError(f"a picture of {plane.shape[1]} × {plane.shape[0]} is too small to judge its focus")
    quarter = halve(halve(plane))
    return FrameDetail(_energy(plane), _energy(quarter), tile_means(plane))


def _energy(plane: Plane) -> Tiles:
    """Mean square of the second difference across and down, per tile."""
    across = plane[:, :-2] + plane[:, 2:] - 2 * plane[:, 1:-1]
    down = plane[:-2] + plane[2:] - 2 * plane[1:-1]
    return np.stack([tile_means(across * across), tile_means(down * down)])


def tile_means(values: Plane) -> Tiles:
    """Means over ROWS × COLUMNS equal tiles; what does not divide is left out on all sides alike."""
    height, width = values.shape[0] // ROWS, values.shape[1] // COLUMNS
    top, left = (values.shape[0] - height * ROWS) // 2, (values.shape[1] - width * COLUMNS) // 2
    cut = values[top : top + height * ROWS, left : left + width * COLUMNS]
    sums = np.add.reduceat(cut, np.arange(ROWS) * height, axis=0).reshape(ROWS, COLUMNS, width).sum(axis=2)
    return np.asarray(sums / (height * width), np.float32)


@dataclass(frozen=True, slots=True)
class DetailTrack:
    """`FrameDetail` over time: `fine` and `coarse` (frames, 2, ROWS, COLUMNS), `light` without the 2."""

    fine: Tiles
    coarse: Tiles
    light: Tiles

    @classmethod
    def of(cls, frames: Sequence[FrameDetail]) -> DetailTrack:
        """The frames in order. Raises ValueError when there is none."""
        return cls(
            np.stack([one.fine for one in frames]),
            np.stack([one.coarse for one in frames]),
            np.stack([one.light for one in frames]),
        )


def sharpness(track: DetailTrack, inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    """Sharpness of the tiles `inside` (ROWS, COLUMNS) over time, shape (frames, 2): across and down.

    Natural logarithm of fine over coarse energy, so a change of 0.1 is one of 10 %. Tiles weigh by the
    detail they have over the whole track. All zero where there is none.
    """
    fine, coarse = track.fine[:, :, inside], track.coarse[:, :, inside]
    ratio = np.log(fine + FLOOR) - np.log(coarse + FLOOR)
    typical = np.median(fine, axis=0)
    weight = np.where(typical > FLOOR, np.sqrt(typical), 0.0)
    total = weight.sum(axis=1)
    if not total.all():
        return np.zeros(ratio.shape[:2])
    return np.asarray((ratio * weight).sum(axis=2) / total, np.float64)
