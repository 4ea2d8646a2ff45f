"""Choose the limits of hunting from clips whose truth is known: changed only where that scores better.

A search over two limits at a time. What counts: misses and false alarms, a false alarm as heavily as
`ALARM_WEIGHT` misses, each by the share of its kind of clip. Made clips are cleaner than real ones: their
light stands still to a thousandth. So a limit stays where it began unless another scores better, and of those
that score alike the nearest to where they began are taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
import numpy.typing as npt

from ingest.measure.focus_limits import HuntingLimits
from ingest.measure.picture_numbers import Swings
from ingest.measure.picture_windows import Window

ALARM_WEIGHT = 3.0
_ROUNDS = 3
_CANDIDATES = 8
_AT_LEAST = (
    *("cycles", "swing", "one_way", "least_coarse", "agreeing", "explained", "speed_in_step"),
    *("blurring", "at_keys", "slowest"),
)
_NAMES = tuple(HuntingLimits.model_fields)
# Two whole swings in such a rhythm are what the word means; a small swing is one too; and the light of made
# clips tells nothing of real light.
_SEARCHED = tuple(name for name in _NAMES if name not in ("slowest", "fastest", "cycles", "swing", "light"))
# No stricter than this: real hands, people and lenses are less steady than made ones (common practice).
_STRICTEST = {"departing": 0.06, "speed": 0.03}
# A limit is named as its number, but for these.
_NUMBER_OF = {"least_coarse": "coarse", "slowest": "frequency", "fastest": "frequency"}


@dataclass(frozen=True, slots=True)
class Known:
    """A clip's truth and everything found in it. `frequency` None: nothing hunts.

    `windows`: the stretches of it that would be decoded whole, were it a UHD take of key frames two seconds
    apart; what is found outside them is found only where all of a clip is looked at.
    """

    frequency: float | None
    start: float
    end: float
    found: tuple[Swings, ...]
    windows: tuple[Window, ...] = ()
    seconds: float = 0.0

    def looked_at(self) -> float:
        """Seconds of the hunt that are in a window."""
        return sum(max(0.0, min(last, self.end) - max(first, self.start)) for first, last in self.windows)

    def matches(self, one: Swings) -> bool:
        """Whether a stretch is the one that hunts: half of its time at least, and near its frequency."""
        if self.frequency is None:
            return False
        shared = min(one.end, self.end) - max(one.start, self.start)
        whole = max(one.end, self.end) - min(one.start, self.start)
        return shared > 0.5 * whole and abs(one.frequency / self.frequency - 1) < 0.25


def choose_limits(clips: Sequence[Known], start: HuntingLimits) -> HuntingLimits:
    """The limits that score best on these clips, from `start` on."""
    scoring = _Scoring.of(clips)
    began = {name: float(getattr(start, name)) for name in HuntingLimits.model_fields}
    limits, best = began, scoring.cost(began)
    candidates = {name: _candidates(clips, name, began[name]) for name in _SEARCHED}
    for _ in range(_ROUNDS):
        before = best
        for one, other in combinations(_SEARCHED, 2):
            tried = [
                (scoring.cost(changed), _far(changed, began, candidates), changed)
                for first, second in product(candidates[one], candidates[other])
                for changed in [limits | {one: first, other: second}]
            ]
            least, _, found = min(tried, key=lambda trial: trial[:2])
            if least < best:
                limits, best = found, least
        if best == before:
            break
    return HuntingLimits(**limits)


@dataclass(frozen=True, slots=True)
class _Scoring:
    """All stretches of all clips: their numbers, so turned that more is always better; whose they are."""

    numbers: npt.NDArray[np.float64]
    clip: npt.NDArray[np.intp]
    counts: npt.NDArray[np.bool_]  # is the hunt of its clip, or in a clip without one
    hunts: npt.NDArray[np.bool_]  # by clip

    @classmethod
    def of(cls, clips: Sequence[Known]) -> _Scoring:
        rows, of, counts = [], [], []
        for number, clip in enumerate(clips):
            for one in clip.found:
                rows.append([_turned(name, getattr(one, _NUMBER_OF.get(name, name))) for name in _NAMES])
                of.append(number)
                counts.append(clip.frequency is None or clip.matches(one))
        hunts = [clip.frequency is not None for clip in clips]
        return cls(np.array(rows), np.array(of, np.intp), np.array(counts), np.array(hunts))

    def cost(self, limits: Mapping[str, float]) -> float:
        """Share of misses, plus the weighted share of false alarms."""
        least = np.array([_turned(name, limits[name]) for name in _NAMES])
        passed = (self.numbers >= least).all(axis=1) & self.counts
        found = np.zeros(len(self.hunts), np.bool_)
        found[self.clip[passed]] = True
        return float((~found[self.hunts]).mean() + ALARM_WEIGHT * found[~self.hunts].mean())


def _turned(name: str, value: float) -> float:
    return value if name in _AT_LEAST else -value


def _far(
    changed: Mapping[str, float], began: Mapping[str, float], candidates: Mapping[str, Sequence[float]]
) -> float:
    """How far limits are from where they began, each in parts of the range that is searched."""
    return sum(
        abs(changed[name] - began[name]) / (max(values) - min(values) or 1.0)
        for name, values in candidates.items()
    )


def _candidates(clips: Sequence[Known], name: str, began: float) -> list[float]:
    """Where it began, and values from the strict part of what true stretches have to beyond the loosest."""
    number = _NUMBER_OF.get(name, name)
    true = [getattr(one, number) for clip in clips for one in clip.found if clip.matches(one)]
    edge, strict = (
        (min(true), float(np.quantile(true, 0.15)))
        if name in _AT_LEAST
        else (max(true), float(np.quantile(true, 0.85)))
    )
    beyond = edge - 0.5 * (strict - edge)
    middle = np.linspace(beyond, strict, _CANDIDATES)
    toward = np.linspace(edge, began, 4)
    least = _STRICTEST.get(name, -np.inf)
    return sorted({round(max(least, float(value)), 4) for value in (*middle, *toward)})
