"""How far the longest level edge of a picture, such as a horizon, leans. Most pictures have none."""

from __future__ import annotations

import functools

import numpy as np
import numpy.typing as npt

from ingest.measure.picture_numbers import Tilt
from ingest.measure.picture_plane import Plane

_MOST_DEGREES, _STEP = 12.0, 0.25
_STRIPS = 40
_LIKE = 0.4  # of the edge's mean: a strip with less does not take part in it


def measure_tilt(plane: Plane) -> Tilt:
    """The lean of the strongest edge within 12° of level in a small picture (height, width).

    The edge is the line along which the vertical differences add up most: a Radon transform over few angles.
    """
    height, width = plane.shape
    strip = width // _STRIPS
    if strip == 0 or height < 32:
        raise ValueError(f"a picture of {width} × {height} is too small to look for a horizon")
    differences = plane[2:] - plane[:-2]
    strips = differences[:, : strip * _STRIPS].reshape(height - 2, _STRIPS, strip).mean(axis=2)
    angles, rows, shares = _shears(height - 2, strip)
    # One picture each angle: strips moved up or down so that a line of that angle becomes level.
    columns = np.arange(_STRIPS)
    sheared = (
        strips[rows, columns] * (1 - shares) + strips[np.minimum(rows + 1, height - 3), columns] * shares
    )
    # A strong short edge must not pass for a long one: no strip counts more than three times the median one.
    limit = 3 * np.median(np.abs(sheared), axis=2, keepdims=True) + 0.5
    lines = np.clip(sheared, -limit, limit).sum(axis=2)
    best = np.unravel_index(int(np.abs(lines).argmax()), lines.shape)
    angle, row = int(best[0]), int(best[1])
    along = sheared[angle, row] * np.sign(lines[angle, row])
    typical = float(np.sqrt((lines[angle] ** 2).mean())) + 1e-6
    support = float((along > _LIKE * max(along.mean(), 0.5)).mean())
    return Tilt(float(angles[angle]), support, float(abs(lines[angle, row])) / typical)


@functools.cache
def _shears(
    height: int, strip: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.intp], npt.NDArray[np.float32]]:
    """Angles, and for each which row (angles, height, strips) stands at a line, with the part of the next."""
    angles = np.arange(-_MOST_DEGREES, _MOST_DEGREES + _STEP / 2, _STEP)
    away = (np.arange(_STRIPS) - (_STRIPS - 1) / 2) * strip
    drop = np.tan(np.radians(angles))[:, None, None] * away[None, None, :]
    place = np.clip(np.arange(height)[None, :, None] + drop, 0, height - 1.001)
    rows = place.astype(np.intp)
    return angles, rows, (place - rows).astype(np.float32)
