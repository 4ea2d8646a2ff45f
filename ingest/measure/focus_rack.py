"""A deliberate change of focus: sharpness goes from one level to another, once, and stays there."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

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
    found: list[Rack] = []
    at = rest
    while at < len(level) - rest:
        rack = _rack_from(times, level, at, rest, step)
        if rack is None:
            at += 1
            continue
        if not any(one.start < rack.end and rack.start < one.end for one in swings):
            found.append(rack)
        at = int(np.searchsorted(times, rack.end)) + rest
    return tuple(found)


def _rack_from(
    times: npt.NDArray[np.float64], level: npt.NDArray[np.float64], at: int, rest: int, step: float
) -> Rack | None:
    """The rack that begins at `at`, between two rests."""
    before = level[at - rest : at + 1]
    for length in range(1, round(_LONGEST_SECONDS / step)):
        after = level[at + length : at + length + rest]
        if len(after) < rest:
            return None
        change = float(np.median(after) - np.median(before))
        if abs(change) < LEAST_CHANGE:
            continue
        if max(np.ptp(before), np.ptp(after)) > _QUIET * abs(change) / 2:
            continue
        # The rest may have been long: the change begins and ends where a tenth of it is done and left.
        gone = (level[at : at + length + 1] - np.median(before)) / change
        first = int(np.argmax(gone > 0.1)) if (gone > 0.1).any() else 0
        last = int(np.argmax(gone > 0.9)) if (gone > 0.9).any() else length
        return Rack(float(times[at + first]), float(times[at + last]), change)
    return None
