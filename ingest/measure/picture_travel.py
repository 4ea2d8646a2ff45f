"""Where the framing goes over a stretch: to a side, up or down, nearer or farther, or nowhere."""

from __future__ import annotations

import numpy as np

from ingest.measure.picture_motion import MotionTrack
from ingest.measure.picture_numbers import Travel

_FOLLOWED = 0.5  # share of blocks, see `picture_motion`
_LEAST_FRAMES = 8


def measure_travel(motion: MotionTrack, per_second: float) -> Travel | None:
    """The travel of consecutive pictures, `per_second` of them; None where too few could be followed."""
    sure = motion.sure >= _FOLLOWED
    sure[:1] = False  # the first has nothing before it
    if sure.sum() < _LEAST_FRAMES:
        return None
    right, down = motion.right[sure] * per_second, motion.down[sure] * per_second
    scale = motion.scale[sure] * per_second
    middle = np.array([np.median(right), np.median(down)])
    along = (right * middle[0] + down * middle[1]) / max(float(np.hypot(*middle)), 1e-9)
    return Travel(
        right=float(middle[0]),
        down=float(middle[1]),
        scale=float(np.median(scale)),
        even=float((along > 0.3 * np.hypot(*middle)).mean()),
        growing=float((np.sign(scale) == np.sign(np.median(scale))).mean()),
        followed=float(sure.mean()),
    )
