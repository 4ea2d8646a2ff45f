"""Choose the limits of hunting from clips whose truth is known: as loose as they may be, no looser.

A search along one limit at a time. What counts: misses and false alarms, a false alarm as heavily as
`ALARM_WEIGHT` misses, each by the share of its kind of clip. Between limits that score alike, the middle of
them is taken, so that neither side of clips yet unseen is nearer than it need be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ingest.measure.focus_limits import HuntingLimits, is_hunting
from ingest.measure.picture_numbers import Swings
from ingest.measure.picture_windows import Window

ALARM_WEIGHT = 3.0
_ROUNDS = 3
_CANDIDATES = 25
_AT_LEAST = ("cycles", "swing", "one_way", "least_coarse", "agreeing", "explained", "speed_in_step")
_NUMBER_OF = {"least_coarse": "coarse"}  # a limit is named as its number, but for this one


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
    limits, best = start, cost(clips, start)
    for _ in range(_ROUNDS):
        for name in HuntingLimits.model_fields:
            if name == "cycles":
                continue  # two whole swings are what the word means
            tried = [
                (cost(clips, changed), value, changed)
                for value in _candidates(clips, name)
                for changed in [limits.model_copy(update={name: value})]
            ]
            least = min(one[0] for one in tried)
            if least < best or (least == best):
                alike = [one for one in tried if one[0] == least]
                limits, best = alike[len(alike) // 2][2], least
    return limits


def cost(clips: Sequence[Known], limits: HuntingLimits) -> float:
    """Share of misses, plus the weighted share of false alarms."""
    missed = [
        not any(is_hunting(one, limits) and clip.matches(one) for one in clip.found)
        for clip in clips
        if clip.frequency is not None
    ]
    alarmed = [any(is_hunting(one, limits) for one in clip.found) for clip in clips if clip.frequency is None]
    return float(np.mean(missed)) + ALARM_WEIGHT * float(np.mean(alarmed))


def _candidates(clips: Sequence[Known], name: str) -> list[float]:
    """Values from the strictest tenth of what true stretches have, to beyond the loosest."""
    number = _NUMBER_OF.get(name, name)
    true = [getattr(one, number) for clip in clips for one in clip.found if clip.matches(one)]
    edge, tenth = (
        (min(true), float(np.quantile(true, 0.15)))
        if name in _AT_LEAST
        else (max(true), float(np.quantile(true, 0.85)))
    )
    beyond = edge - 0.5 * (tenth - edge)
    return [round(float(value), 4) for value in np.linspace(beyond, tenth, _CANDIDATES)]
