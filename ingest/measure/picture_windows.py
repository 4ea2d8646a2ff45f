"""Which parts of a clip are worth decoding whole, from what a few pictures of it show.

Focus hunts in takes whose framing stays; where it does, the sharpness of pictures far apart differs, for
each meets the swing elsewhere. A take whose pictures are all equally sharp is left alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ingest.measure.picture_numbers import Sample


@dataclass(frozen=True, slots=True)
class Effort:
    """How much to decode. All common practice, no source: chosen for the time it takes.

    `every_seconds`: one picture of the coarse pass that often. `look_seconds`: one stretch in the middle is
    decoded whole for what only consecutive pictures show. `dense_share`: of the clip's length, the most that
    is decoded whole beside it, but `dense_least` seconds in any case; a share of 1: all of it.
    `steady_move`: heights a framing may go between two samples. `uneven`: scatter of log sharpness over a
    piece of a steady run that makes hunting plausible. `least_run`: seconds of such a run.
    """

    every_seconds: float = 2.0
    look_seconds: float = 3.0
    dense_share: float = 0.06
    dense_least: float = 6.0
    steady_move: float = 0.03
    uneven: float = 0.012
    least_run: float = 4.0


CHEAP = Effort(every_seconds=1.0, dense_share=0.2, dense_least=12.0)
"""For proxies and codecs of key frames alone."""

Window = tuple[float, float]


def choose_windows(samples: Sequence[Sample], seconds: float, effort: Effort) -> tuple[Window, ...]:
    """Windows, first and last second, in order and apart. The whole clip where `dense_share` is 1."""
    if effort.dense_share >= 1:
        return ((0.0, seconds),)
    # From a picture of the coarse pass on, which is a key frame: nothing before it need be decoded.
    wanted = max(0.0, (seconds - effort.look_seconds) / 2)
    middle = max((one.time for one in samples if one.time <= wanted), default=wanted)
    chosen = [(middle, min(seconds, middle + effort.look_seconds))]
    left = max(seconds * effort.dense_share, effort.dense_least)
    for _, window in sorted(_plausible(_settled(samples), effort), reverse=True):
        length = min(window[1] - window[0], left)
        if length < effort.least_run:
            continue
        chosen.append((window[0], window[0] + length))
        left -= length
    return _joined(chosen)


_MANY = 12  # samples: of fewer each counts


def _settled(samples: Sequence[Sample]) -> Sequence[Sample]:
    """Without the first key frame of a long clip: it is coded before the encoder knows what it will need."""
    return samples[1:] if len(samples) > _MANY else samples


_PIECE_SECONDS = 8.0  # two swings of the slowest hunt, and a rest


def _plausible(samples: Sequence[Sample], effort: Effort) -> list[tuple[float, Window]]:
    """Pieces of steady runs whose sharpness scatters, each with how much."""
    found = []
    run: list[Sample] = []
    for sample in (*samples, None):
        steady = sample is not None and sample.moved is not None and sample.moved <= effort.steady_move
        if sample is not None and (steady or not run):
            run.append(sample)
            continue
        if len(run) >= 3 and run[-1].time - run[0].time >= effort.least_run:
            found += [piece for piece in _pieces(run) if piece[0] >= effort.uneven]
        run = [] if sample is None else [sample]
    return found


def _pieces(run: Sequence[Sample]) -> list[tuple[float, Window]]:
    """A run in pieces of some seconds, each with the scatter of the samples in and around it."""
    first, last = run[0].time, run[-1].time
    count = max(1, int((last - first) / _PIECE_SECONDS))
    edges = [first + number * (last - first) / count for number in range(count + 1)]
    found = []
    for begin, end in pairwise(edges):
        inside = [one for one in run if begin - _PIECE_SECONDS / 4 <= one.time <= end + _PIECE_SECONDS / 4]
        if len(inside) >= 3:
            scatter = max(
                _scatter([one.subject for one in inside]), _scatter([one.background for one in inside])
            )
            found.append((scatter, (begin, end)))
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
