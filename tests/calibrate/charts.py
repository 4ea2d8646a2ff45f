"""Test pictures as generators give them: colour bars and grey steps, as the small picture that is measured.

Bars by ITU-R BT.471-1, "100/0/75/0" and "100/0/100/0" (numbers from memory), luma by the weights of ITU-R
BT.709-6 or BT.601-7, codes of 8 bits by BT.709-6, table 4.6.
"""

from __future__ import annotations

import numpy as np

from ingest.measure.picture_plane import Plane
from tests.calibrate.optics import FRAME

_WEIGHTS = {"BT.709": (0.2126, 0.7152, 0.0722), "BT.601": (0.299, 0.587, 0.114)}
_BARS = ((1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1), (0, 0, 0))
"""Red, green, blue of white, yellow, cyan, green, magenta, red, blue and black."""


def colour_bars(standard: str, share: float, full: bool) -> Plane:
    """Eight bars over the whole frame, all at `share` of the primaries."""
    luma = [share * sum(w * part for w, part in zip(_WEIGHTS[standard], bar, strict=True)) for bar in _BARS]
    return upright_stripes([255 * one if full else 16 + 219 * one for one in luma])


def grey_steps(count: int) -> Plane:
    """From white to black in equal steps."""
    return upright_stripes([235 - 219 * number / (count - 1) for number in range(count)])


def upright_stripes(codes: list[float]) -> Plane:
    """One stripe a code, all of one width, over the whole frame."""
    place = (np.arange(FRAME[1]) * len(codes)) // FRAME[1]
    row = np.rint(np.array(codes))[place]
    return np.tile(row.astype(np.float32), (FRAME[0], 1))
