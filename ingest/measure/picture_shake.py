"""How steadily a camera was held, and whether it was carried about while it recorded."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.measure.picture_levels import stretches
from ingest.measure.picture_motion import MotionTrack
from ingest.measure.picture_numbers import Shake

_SLOW_SECONDS = 0.6  # what takes longer is a move, what is quicker is shake (common practice, no source)
_STEADY_SPEED = 0.25  # heights a second
_FOLLOWED = 0.5  # share of blocks


def measure_shake(motion: MotionTrack, per_second: float) -> Shake:
    """The shake of consecutive pictures, `per_second` of them. Raises ValueError for fewer than three."""
    frames = len(motion.right)
    if frames < 3:
        raise ValueError("fewer than three pictures have no motion to judge")
    quick, slow = [], []
    for steps in (motion.right, motion.down):
        path = np.cumsum(steps)
        smooth = _smoothed(path, max(3, round(_SLOW_SECONDS * per_second)))
        quick.append(path - smooth)
        slow.append(np.diff(smooth) * per_second)
    speed = np.hypot(motion.right, motion.down) * per_second
    # Dim or even pictures give no motion either, and are no proof of an unsteady hand.
    is_steady = (speed < _STEADY_SPEED) & (motion.sure >= _FOLLOWED)
    is_steady[0] = is_steady[1]
    times = [float(one) for one in np.arange(frames) / per_second]
    runs = [last - first + 1 / per_second for first, last in stretches(times, list(is_steady))]
    return Shake(
        shake=float(np.sqrt((quick[0] ** 2 + quick[1] ** 2).mean())),
        speed=float(np.hypot(*slow).mean()),
        steady=float(is_steady.mean()),
        longest_steady=max(runs, default=0.0),
    )


def _smoothed(path: npt.NDArray[np.float64], width: int) -> npt.NDArray[np.float64]:
    """Running straight-line fit: unlike a running mean it follows an even move up to the ends."""
    width = min(width | 1, len(path) if len(path) % 2 else len(path) - 1)
    half = width // 2
    weights = np.hanning(width + 2)[1:-1]
    number = np.arange(len(path))
    smooth = np.empty_like(path)
    for at in number:
        first, last = max(0, at - half), min(len(path), at + half + 1)
        x = number[first:last] - at
        w = weights[x + half]
        mean_x, mean_y = (w * x).sum() / w.sum(), (w * path[first:last]).sum() / w.sum()
        spread = (w * (x - mean_x) ** 2).sum()
        slope = (w * (x - mean_x) * (path[first:last] - mean_y)).sum() / spread if spread > 0 else 0.0
        smooth[at] = mean_y - slope * mean_x
    return smooth
