"""All that focus is judged by, picture after picture: detail, motion, and what changed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ingest.measure.focus_change import UNCHANGED, ChangeTrack, FrameChange, measure_change
from ingest.measure.focus_sharpness import DetailTrack, FrameDetail, measure_detail
from ingest.measure.picture_motion import (
    STILL,
    Blocks,
    FrameMotion,
    MotionTrack,
    block_spectra,
    measure_motion,
)
from ingest.measure.picture_plane import Plane


@dataclass(frozen=True, slots=True)
class Tracks:
    """The same pictures in each. `times` (frames,): seconds, rising. `keyed` (frames,): whether the coding
    began anew, with a key frame, since the picture before."""

    times: npt.NDArray[np.float64]
    detail: DetailTrack
    motion: MotionTrack
    change: ChangeTrack
    keyed: npt.NDArray[np.bool_]


@dataclass(slots=True)
class Following:
    """Gathers the tracks of small pictures of one size, which come in order."""

    _times: list[float] = field(default_factory=list)
    _detail: list[FrameDetail] = field(default_factory=list)
    _motion: list[FrameMotion] = field(default_factory=list)
    _change: list[FrameChange] = field(default_factory=list)
    _keyed: list[bool] = field(default_factory=list)
    _before: tuple[Plane, Blocks] | None = None

    def see(self, time: float, plane: Plane, keyed: bool = False) -> None:
        """The next picture, codes of 8 bits. Raises ValueError for one under 96 × 72."""
        spectra = block_spectra(plane)
        if self._before is None:
            change, motion = UNCHANGED, STILL
        else:
            change = measure_change(self._before[0], plane)
            motion = measure_motion(self._before[1], spectra, *plane.shape)
        self._times.append(time)
        self._detail.append(measure_detail(plane))
        self._motion.append(motion)
        self._change.append(change)
        self._keyed.append(keyed)
        self._before = plane, spectra

    def __len__(self) -> int:
        return len(self._times)

    def tracks(self) -> Tracks:
        """Raises ValueError when there was no picture."""
        return Tracks(
            np.array(self._times),
            DetailTrack.of(self._detail),
            MotionTrack.of(self._motion),
            ChangeTrack.of(self._change),
            np.array(self._keyed),
        )
