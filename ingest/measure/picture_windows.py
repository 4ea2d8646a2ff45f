"""Which parts of a clip are worth decoding whole, from what a few pictures of it show.

Focus hunts in takes whose framing stays; where it does, the sharpness of pictures far apart differs, for
each meets the swing elsewhere. A take whose pictures are all equally sharp is left alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ingest.measure.picture_numbers import Sample


@dataclass(frozen=True, slots=True)
class Effort:
    """How much to decode. All common practice, no source: chosen for the time it takes.

    `every_seconds`: one picture of the coarse pass that often. `look_seconds`: one stretch in the middle is
    decoded whole for what only consecutive pictures show. `dense_share`: of the clip's length, the most that
    is decoded whole beside it; 1 for sources that decode fast. `steady_move`: heights a framing may go
    between two samples. `uneven`: scatter of log sharpness over a steady run that makes hunting plausible.
    `least_run`: seconds of such a run.
    """

    every_seconds: float = 2.0
    look_seconds: float = 3.0
    dense_share: float = 0.2
    steady_move: float = 0.03
    uneven: float = 0.012
    least_run: float = 4.0


CHEAP = Effort(every_seconds=1.0, dense_share=0.4)
"""For proxies and codecs of key frames alone."""

Window = tuple[float, float]


def choose_windows(samples: Sequence[Sample], seconds: float, effort: Effort) -> tuple[Window, ...]:
    """Windows, first and last second, in order and apart. The whole clip where `dense_share` is 1."""
    if effort.dense_share >= 1:
        return ((0.0, seconds),)
    middle = max(0.0, (seconds - effort.look_seconds) / 2)
    chosen = [(middle, min(seconds, middle + effort.look_seconds))]
    left = seconds * effort.dense_share
    for _, window in sorted(_plausible(samples, effort), reverse=True):
        length = min(window[1] - window[0], left)
        if length < effort.least_run:
            continue
        chosen.append((window[0], window[0] + length))
        left -= length
    return _joined(chosen)


def _plausible(samples: Sequence[Sample], effort: Effort) -> list[tuple[float, Window]]:
    """Steady runs whose sharpness scatters, each with how much."""
    found = []
    run: list[Sample] = []
    for sample in (*samples, None):
        steady = sample is not None and sample.moved is not None and sample.moved <= effort.steady_move
        if sample is not None and (steady or not run):
            run.append(sample)
            continue
        if len(run) >= 3 and run[-1].time - run[0].time >= effort.least_run:
            scatter = max(_scatter([one.subject for one in run]), _scatter([one.background for one in run]))
            if scatter >= effort.uneven:
                found.append((scatter, (run[0].time, run[-1].time)))
        run = [] if sample is None else [sample]
    return found


def _scatter(values: Sequence[float]) -> float:
    """Scatter of one to the next: a slow change of light or of focus has little."""
    return float(np.std(np.diff(values))) / 2**0.5


def _joined(windows: Sequence[Window]) -> tuple[Window, ...]:
    joined: list[Window] = []
    for first, last in sorted(windows):
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    return tuple(joined)
