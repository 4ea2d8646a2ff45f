"""Colour bars and grey steps: upright stripes of equal width, each even, side by side in falling light.

Colour bars are told by their luma alone. From white over yellow, cyan, green, magenta, red and blue to black
it is the sum of the weights of the primaries that are lit: 0.2126, 0.7152, 0.0722 of red, green, blue (ITU-R
BT.709-6, table 3) or 0.299, 0.587, 0.114 (ITU-R BT.601-7, 2.5.1). Whether the bars have 75 or 100 % makes
one factor, and the range of the codes another: a straight line is fitted, and what departs is the measure.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import numpy.typing as npt

from ingest.measure.picture_numbers import Stripes
from ingest.measure.picture_plane import Plane

_WEIGHTS = ((0.2126, 0.7152, 0.0722), (0.299, 0.587, 0.114))
LADDERS = tuple(
    np.array([green * g + red * r + blue * b for g, r, b in product((1, 0), repeat=3)][:7])
    for red, green, blue in _WEIGHTS
)
"""Luma of the seven bars from white to blue, 1 is white."""
_BAND = (0.1, 0.5)  # of the height: below it some patterns show others
_EVEN = 4.0  # codes: the most that a stripe's columns differ from top to bottom, a mean encoding allowed for
_STEP = 4.0  # codes from one stripe to the next, at least
_EDGE = 3  # columns over which one stripe becomes the next
_NARROW = 0.03  # of the width: the narrowest stripe
_EQUAL = 0.25  # how much widths may differ from their median
_NONE = Stripes(0, 1.0)


def measure_stripes(plane: Plane) -> Stripes:
    """The longest row of such stripes in a small picture (height, width), codes of 8 bits."""
    first, last = (round(share * plane.shape[0]) for share in _BAND)
    band = plane[first:last]
    if np.median(band.std(axis=0)) > _EVEN:
        return _NONE
    levels, widths = _plateaus(band.mean(axis=0))
    best = _NONE
    for at in range(len(levels)):
        count = _falling(levels[at:], widths[at:])
        if count >= 3 and count > best.count:
            best = Stripes(count, _departure(levels[at : at + count]))
    return best


def _plateaus(profile: npt.NDArray[np.floating]) -> tuple[list[float], list[int]]:
    """Levels and widths, in columns, of the stretches in which the light does not change."""
    change = np.abs(profile[_EDGE:] - profile[:-_EDGE])
    is_edge = np.zeros(len(profile), np.bool_)
    is_edge[_EDGE // 2 + 1 : _EDGE // 2 + 1 + len(change)] = change >= _STEP
    edges = np.flatnonzero(np.diff(np.r_[True, is_edge, True].astype(np.int8)))
    levels, widths = [], []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin >= _NARROW * len(profile):
            levels.append(float(np.median(profile[begin:end])))
            widths.append(int(end - begin))
    return levels, widths


def _falling(levels: list[float], widths: list[int]) -> int:
    """How many of these, from the first on, are of one width and each darker than the one before."""
    count = 1
    while count < len(levels) and levels[count] <= levels[count - 1] - _STEP:
        some = widths[: count + 1]
        if max(abs(one / float(np.median(some)) - 1) for one in some) > _EQUAL:
            break
        count += 1
    return count


def _departure(levels: list[float]) -> float:
    """The largest departure of the first seven from the nearer ladder, in parts of white less black."""
    if len(levels) < 7:
        return 1.0
    found = []
    for ladder in LADDERS:
        slope, start = np.polyfit(ladder, levels[:7], 1)
        found.append(float(np.abs(start + slope * ladder - levels[:7]).max() / slope) if slope > 0 else 1.0)
    return min(found)
