"""How much more blurred one picture is than the one before, tile by tile, whatever else moves.

A little more blur adds a part of the picture's second derivative to it, a small shift a part of its first.
The one is even about every point and the other odd, so the product of the difference with the second
derivative holds the blur and not the shift: the heat equation, fitted as optical flow is (B. K. P. Horn and
B. G. Schunck, "Determining optical flow", Artificial Intelligence 17, 1981). The derivative is taken of the
mean of the two pictures, whose noise is independent of that of their difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.measure.focus_sharpness import COLUMNS, ROWS, Tiles, tile_means
from ingest.measure.picture_plane import Plane

_RIDGE = 1.0  # codes squared: where there is less detail nothing can be told


@dataclass(frozen=True, slots=True)
class FrameChange:
    """From the picture before to this one, in each tile (ROWS, COLUMNS), codes squared, means over pixels.

    `blur`: the difference times the second derivative; `detail`: the square of the latter. The one over the
    other is the growth of the blur, in pixels squared.
    """

    blur: Tiles
    detail: Tiles


UNCHANGED = FrameChange(*(np.zeros((ROWS, COLUMNS), np.float32) for _ in range(2)))


def measure_change(before: Plane, after: Plane) -> FrameChange:
    """The change between two small pictures of one size (height, width), codes of 8 bits."""
    middle = after + before
    second = middle[1:-1, 2:] + middle[1:-1, :-2]
    second += middle[2:, 1:-1]
    second += middle[:-2, 1:-1]
    second -= 4 * middle[1:-1, 1:-1]
    second *= np.float32(0.5)
    gone = (after - before)[1:-1, 1:-1]
    return FrameChange(tile_means(gone * second), tile_means(second * second))


@dataclass(frozen=True, slots=True)
class ChangeTrack:
    """`FrameChange` over time, each (frames, ROWS, COLUMNS); the first is all zero."""

    blur: Tiles
    detail: Tiles

    @classmethod
    def of(cls, frames: Sequence[FrameChange]) -> ChangeTrack:
        return cls(np.stack([one.blur for one in frames]), np.stack([one.detail for one in frames]))


def blur_path(track: ChangeTrack, inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    """How far the blur of the tiles `inside` (ROWS, COLUMNS) has grown since the first picture, (frames,)."""
    growth = track.blur[:, inside].sum(axis=1) / (track.detail[:, inside].sum(axis=1) + _RIDGE)
    return np.asarray(np.cumsum(growth), np.float64)
