"""A deliberate change of focus: sharpness goes from one level to another, once, and stays there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from ingest.measure.picture_numbers import Rack, Swings

LEAST_CHANGE = 0.25
"""Of log sharpness: less is a correction nobody sees (common practice, no source)."""
_LONGEST_SECONDS = 6.0
_REST_SECONDS = 0.8
_QUIET = 0.3  # of the change: what may go on before and after


def find_racks(
    times: npt.NDArray[np.float64],
    level: npt.NDArray[np.float64],
    swings: tuple[Swings, ...] = (),
) -> tuple[Rack, ...]:
    """Single changes of `level` (frames,), log sharpness at `times` seconds, outside the `swings` given."""
    if len(times) < 8:
        return ()
    step = float(np.median(np.diff(times)))
    rest = max(2, round(_REST_SECONDS / step))
    if len(level) < 2 * rest + 2:
        return ()
    rests = _Rests.of(level, rest)
    found: list[Rack] = []
    at = rest
    while at < len(level) - rest:
        rack = _rack_from(times, level, at, rests, round(_LONGEST_SECONDS / step))
        if rack is None:
            at += 1
            continue
        if not any(one.start < rack.end and rack.start < one.end for one in swings):
            found.append(rack)
        at = int(np.searchsorted(times, rack.end)) + rest
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Rests:
    """Of the stretches that end at, and that begin at, each picture: the median, and from least to most."""

    length: int
    before: npt.NDArray[np.float64]
    before_range: npt.NDArray[np.float64]
    after: npt.NDArray[np.float64]
    after_range: npt.NDArray[np.float64]

    @classmethod
    def of(cls, level: npt.NDArray[np.float64], rest: int) -> _Rests:
        before, after = (sliding_window_view(level, length) for length in (rest + 1, rest))
        return cls(
            rest,
            np.median(before, axis=1),
            np.ptp(before, axis=1),
            np.median(after, axis=1),
            np.ptp(after, axis=1),
        )


def _rack_from(
    times: npt.NDArray[np.float64], level: npt.NDArray[np.float64], at: int, rests: _Rests, longest: int
) -> Rack | None:
    """The rack that begins at `at`, between two rests: the shortest."""
    settled, quiet = rests.before[at - rests.length], rests.before_range[at - rests.length]
    ends = slice(at + 1, at + longest)
    changes = rests.after[ends] - settled
    sizes = np.abs(changes)
    fits = (sizes >= LEAST_CHANGE) & (np.maximum(quiet, rests.after_range[ends]) <= _QUIET * sizes / 2)
    if not fits.any():
        return None
    length = 1 + int(fits.argmax())
    change = float(changes[length - 1])
    # The rest may have been long: the change begins and ends where a tenth of it is done and left.
    gone = (level[at : at + length + 1] - settled) / change
    first = int(np.argmax(gone > 0.1)) if (gone > 0.1).any() else 0
    last = int(np.argmax(gone > 0.9)) if (gone > 0.9).any() else length
    return Rack(float(times[at + first]), float(times[at + last]), change)
