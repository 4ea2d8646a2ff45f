"""How far apart the pictures of a stream are: exact arithmetic on their time stamps, in whole ticks.

A constant rate is proved, not believed: every stamp must lie within one tick of an even spacing, which is
as near as a container that rounds its stamps can put it. ISO/IEC 14496-12 keeps such stamps in its
time-to-sample box; the rule itself is our own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import floor
from typing import Any

from shared.timecode import MAX_RATE

# Whole rates in use, and of those the ones whose n/1001 form is too (SMPTE ST 12-1, ST 2036-1).
_WHOLE = (12, 15, 24, 25, 30, 48, 50, 60, 90, 96, 100, 120, 150, 180, 200, 240, 300, 480)
_NTSC = (24, 30, 48, 60, 96, 120, 240)
USUAL_RATES = tuple(sorted((*map(Fraction, _WHOLE), *(Fraction(n * 1000, 1001) for n in _NTSC))))
_TERM_LIMIT = 2**31  # what the columns of a rate hold


@dataclass(frozen=True, slots=True)
class Spacing:
    """What the stamps of `pictures` pictures prove; rates are exact, in pictures a second.

    `exact` is the rate in use that the pictures keep, or mostly keep (None: none in use fits); `actual` the
    mean. `off_nominal` is the share of spacings more than a tick away from the usual one, `distinct` how
    many different spacings there are.
    """

    pictures: int
    is_constant: bool
    exact: Fraction | None
    actual: Fraction
    minimum: Fraction
    maximum: Fraction
    off_nominal: Fraction
    distinct: int

    @property
    def rate(self) -> Fraction:
        """The rate to count in: the one in use where the pictures keep it, else their mean."""
        return self.exact if self.is_constant and self.exact is not None else self.actual

    def to_json(self) -> dict[str, Any]:
        """Plain values; fractions as the text that Fraction reads."""
        exact = None if self.exact is None else str(self.exact)
        nominal = self.exact or self.actual
        return {
            "nominal": max(1, floor(nominal + Fraction(1, 2))),
            **({"exact": exact} if exact else {}),
            "actual": str(self.actual),
            "minimum": str(self.minimum),
            "maximum": str(self.maximum),
            "off_nominal": str(self.off_nominal),
            "spacings": self.distinct,
            "pictures": self.pictures,
        }


def measure(
    stamps: Sequence[int],
    base: Fraction,
    *,
    pictures: int | None = None,
    length: int | None = None,
    hint: Fraction | None = None,
) -> Spacing | None:
    """The spacing of `stamps`, in ticks of `base` seconds and rising order; None: no two pictures differ.

    `pictures` took `length` ticks altogether, where more is known than the stamps show: it gives the mean.
    `hint` is the rate that the file states, preferred where the stamps fit more than one.
    """
    if len(stamps) < 2 or stamps[-1] <= stamps[0] or base <= 0:
        return None
    gaps = [later - earlier for earlier, later in pairwise(stamps)]
    steps = Counter(gaps)
    corners = _corners(stamps, gaps)
    usual_step = max(steps, key=lambda step: (steps[step], step))
    moving = [step for step in steps if step > 0]
    count = len(stamps) - 1
    span = stamps[-1] - stamps[0]
    actual = Fraction(count, span) / base
    kept = _rates_kept(corners, base, hint)
    if kept or _is_even(corners, Fraction(span, count), slack=2):
        exact = hint if hint in kept else kept[0] if len(kept) == 1 else None
        rate = fit_terms(exact or actual)
        return Spacing(pictures or len(stamps), True, exact, rate, rate, rate, Fraction(0), 1)
    if pictures and length and length > 0:
        actual = Fraction(pictures, length) / base
    return Spacing(
        pictures=pictures or len(stamps),
        is_constant=False,
        exact=_nearest_usual(usual_step, base),
        actual=fit_terms(actual),
        minimum=fit_terms(1 / (max(moving) * base)),
        maximum=fit_terms(1 / (min(moving) * base)),
        off_nominal=Fraction(sum(n for step, n in steps.items() if abs(step - usual_step) > 1), count),
        distinct=len(steps),
    )


def keeps(stamps: Sequence[int], base: Fraction, rate: Fraction) -> bool:
    """Whether every stamp is that of an even spacing at `rate`, rounded to a tick."""
    return rate > 0 and _is_even(list(enumerate(stamps)), 1 / (rate * base), slack=1)


def fit_terms(rate: Fraction) -> Fraction:
    """`rate` itself, or the nearest fraction whose terms a column holds, between 1/1000 and 1000."""
    rate = min(max(rate, Fraction(1, MAX_RATE)), Fraction(MAX_RATE))
    fits = rate.numerator < _TERM_LIMIT and rate.denominator < _TERM_LIMIT
    return rate if fits else rate.limit_denominator(1_000_000)


_Corners = Sequence[tuple[int, int]]  # number of a picture, and its stamp


def _corners(stamps: Sequence[int], gaps: Sequence[int]) -> _Corners:
    """The pictures at which the spacing changes, and the ends: between them all stray alike."""
    turns = [index for index in range(1, len(gaps)) if gaps[index] != gaps[index - 1]]
    return [(index, stamps[index]) for index in (0, *turns, len(stamps) - 1)]


def _rates_kept(corners: _Corners, base: Fraction, hint: Fraction | None) -> list[Fraction]:
    """The stated rate and the rates in use that all stamps keep; most can be ruled out by the ends."""
    count, span = corners[-1][0], corners[-1][1] - corners[0][1]
    candidates = USUAL_RATES if hint is None else (hint, *(rate for rate in USUAL_RATES if rate != hint))
    steps = [(rate, 1 / (rate * base)) for rate in candidates]
    return [
        rate for rate, step in steps if abs(count * step - span) <= 1 and _is_even(corners, step, slack=1)
    ]


def _is_even(corners: _Corners, step: Fraction, slack: int) -> bool:
    """Whether the stamps stray by at most `slack` ticks altogether from `step` ticks apart."""
    top, bottom = step.numerator, step.denominator
    lowest = highest = corners[0][1] * bottom
    for number, stamp in corners:
        stray = stamp * bottom - number * top
        lowest, highest = min(lowest, stray), max(highest, stray)
        if highest - lowest > slack * bottom:
            return False
    return True


def _nearest_usual(step: int, base: Fraction) -> Fraction | None:
    """The rate in use whose spacing rounds to `step`; where several do, the whole one nearest to it."""
    if step <= 0:
        return None
    near = [rate for rate in USUAL_RATES if abs(1 / (rate * base) - step) < 1]
    return min(near, key=lambda r: (r.denominator, abs(1 / (r * base) - step))) if near else None
