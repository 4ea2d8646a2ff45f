"""Pictures that come twice: a frozen stretch, single duplicates, and the beat they keep.

A camera that runs never gives the same picture twice, for its noise differs; only where the picture before
and after differ by much more is a small difference a repeat.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.measure.picture_numbers import Repeats
from ingest.measure.picture_plane import Plane

SAME = 0.004
"""Mean difference, codes of 8 bits, up to which two small pictures are one: what coding it anew leaves."""
_LIKELY = 12.0  # a repeat differs by this factor less than the pictures around it
_ANEW = 0.5  # of what pictures differ by, which coding one anew stays under
_AROUND = 12  # pictures before and after that are looked at


def difference(before: Plane, after: Plane) -> float:
    """Mean of the absolute difference of two small pictures, codes of 8 bits."""
    return float(np.abs(after - before).mean())


def find_repeats(differences: npt.NDArray[np.float64], longest_single: int = 4) -> Repeats:
    """Repeats among consecutive pictures; `differences` (frames,): each picture from the one before, the
    first is not looked at.

    A run of more than `longest_single` repeats is a frozen stretch. A stretch counts only where other
    pictures of the clip differ: a clip of one drawn picture is still, not frozen.
    """
    usual = _usual(differences)
    alike = (differences <= SAME) | (differences * _LIKELY < usual)
    alike[:1] = False
    alike &= usual > SAME
    # A key frame codes even a standing picture anew: one lesser difference between repeats breaks no run.
    lone = alike[:-2] & ~alike[1:-1] & alike[2:] & (differences[1:-1] < _ANEW * usual[1:-1])
    alike[1:-1] |= lone
    singles: list[int] = []
    frozen: list[tuple[int, int]] = []
    number = 1
    while number < len(alike):
        if not alike[number]:
            number += 1
            continue
        end = number
        while end + 1 < len(alike) and alike[end + 1]:
            end += 1
        if end - number + 1 > longest_single:
            frozen.append((number - 1, end))
        else:
            singles += range(number, end + 1)
        number = end + 1
    return Repeats(tuple(singles), _beat(singles), tuple(frozen))


def _usual(differences: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """What pictures hereabouts differ by; of the whole clip where all of those around repeat."""
    moving = differences[1:][differences[1:] > SAME]
    whole = float(np.median(moving)) if len(moving) * 10 >= len(differences) else 0.0
    usual = np.empty_like(differences)
    for number in range(len(differences)):
        around = differences[max(1, number - _AROUND) : number + _AROUND + 1]
        near = float(np.percentile(around, 75)) if len(around) else 0.0
        usual[number] = near if near > SAME else whole
    return usual


def _beat(singles: list[int]) -> float | None:
    """How far apart they are where four or more keep it within one picture."""
    if len(singles) < 4:
        return None
    gaps = np.diff(singles)
    middle = float(np.mean(gaps))
    return middle if np.abs(gaps - middle).max() <= 1 else None
