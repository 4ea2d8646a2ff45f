"""When swinging sharpness is focus that hunts: limits on the numbers of `Swings`.

Nothing here but the standard library: whoever judges need not load what measures.
"""

from __future__ import annotations

from dataclasses import dataclass

from ingest.measure.picture_numbers import Swings


@dataclass(frozen=True, slots=True)
class HuntingLimits:
    """Common practice, no source: provisional, set by eye on some twenty labelled clips of tests/calibrate.

    They are to be chosen on the choosing half of those clips, and scored on the reporting half.
    """

    cycles: float = 2.0
    swing: float = 0.02
    uneven: float = 0.35
    one_way: float = 0.4
    light: float = 0.5
    least_coarse: float = -0.15
    agreeing: float = 0.5
    explained: float = 0.5
    speed: float = 0.15
    speed_in_step: float = -0.5
    departing: float = 0.3


def is_hunting(swings: Swings, limits: HuntingLimits) -> bool:
    """Whether focus is the cause: enough of it, even in time, both ways alike, and nothing else in step."""
    return (
        swings.cycles >= limits.cycles
        and swings.swing >= limits.swing
        and swings.uneven <= limits.uneven
        and swings.one_way >= limits.one_way
        and swings.light <= limits.light
        and swings.coarse >= limits.least_coarse
        and swings.agreeing >= limits.agreeing
        and swings.explained >= limits.explained
        and swings.speed <= limits.speed
        and swings.speed_in_step >= limits.speed_in_step
        and swings.departing <= limits.departing
    )
