"""When swinging sharpness is focus that hunts: limits on the numbers of `Swings`.

Nothing of the decoders here: whoever judges need not load what measures.
"""

from __future__ import annotations

from ingest.measure.picture_numbers import Swings
from shared.finding_limits import HuntingLimits

__all__ = ["HuntingLimits", "is_hunting"]


def is_hunting(swings: Swings, limits: HuntingLimits) -> bool:
    """Whether focus is the cause: enough of it, even in time, both ways alike, and nothing else in step."""
    return (
        limits.slowest <= swings.frequency <= limits.fastest
        and swings.cycles >= limits.cycles
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
        and swings.sudden <= limits.sudden
        and swings.blurring >= limits.blurring
        and swings.at_keys >= limits.at_keys
    )
