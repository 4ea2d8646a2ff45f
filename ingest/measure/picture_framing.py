"""What a clip's framing looks like in a few numbers, so that clips of one setup can be told."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.measure.picture_plane import Plane

COLUMNS, ROWS = 16, 9


def reduce_framing(plane: Plane) -> Plane:
    """A small picture (height, width) as ROWS × COLUMNS mean codes."""
    rows = np.array_split(np.arange(plane.shape[0]), ROWS)
    columns = np.array_split(np.arange(plane.shape[1]), COLUMNS)
    down = np.stack([plane[some].mean(axis=0) for some in rows])
    return np.asarray(np.stack([down[:, some].mean(axis=1) for some in columns], axis=1), np.float32)


def measure_framing(pictures: Sequence[Plane]) -> tuple[float, ...]:
    """The median of a clip's pictures, each from `reduce_framing`, with mean 0 and standard deviation 1.

    Row by row from the upper left. Empty when there is no picture, or nothing in it.
    """
    if not pictures:
        return ()
    middle = np.median(np.stack(pictures), axis=0)
    spread = float(middle.std())
    if spread < 2.0:
        return ()
    return tuple(round(float(one), 3) for one in ((middle - middle.mean()) / spread).ravel())
