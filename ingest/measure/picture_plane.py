"""The small picture that most measures look at: luma reduced to a fixed number of lines by averaging areas.

One scale for every source, whether UHD, 1080 or a proxy, so that thresholds mean the same everywhere.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Plane = npt.NDArray[np.float32]
Luma = npt.NDArray[np.uint8] | npt.NDArray[np.uint16] | npt.NDArray[np.float32]

LINES = 270
"""Lines of the small picture; a blur disk of 4 pixels at 1080 lines is one of 1 pixel here."""


def plane_size(width: int, height: int, lines: int = LINES) -> tuple[int, int]:
    """Width and height, both even, of the small picture of a `width` × `height` one; never larger than it."""
    down = min(height, lines)
    across = max(2, round(width * down / height / 2) * 2)
    return min(across, width), max(1, down)


def reduce_plane(luma: Luma, lines: int = LINES) -> Plane:
    """`luma` (height, width) in codes of 8 bits, reduced to about `lines` lines by averaging whole pixels.

    The factor is a whole number, so that nothing is resampled: 1080 and 2160 lines give exactly 270.
    """
    factor = max(1, luma.shape[0] // lines)
    height, width = (side // factor * factor for side in luma.shape)
    cut = luma[:height, :width]
    if factor == 1:
        return cut.astype(np.float32)
    blocks = cut.reshape(height // factor, factor, width // factor, factor)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float32))


def halve(plane: Plane) -> Plane:
    """Each pixel the mean of 2 × 2 of `plane` (height, width); an odd last row or column is left out."""
    even = plane[: plane.shape[0] // 2 * 2, : plane.shape[1] // 2 * 2]
    rows = even[0::2] + even[1::2]
    return np.asarray((rows[:, 0::2] + rows[:, 1::2]) * np.float32(0.25), np.float32)
