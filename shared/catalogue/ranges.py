"""Values that have an order, days, dates, ranks, lengths and rates, as conditions on clips.

All arithmetic is on whole numbers: a length is frames x denominator / numerator of the clip's rate.
"""

from __future__ import annotations

import datetime as dt
import operator
import zoneinfo
from collections.abc import Callable
from fractions import Fraction
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, and_, true

from shared.errors import UsageError
from shared.models import Clip, ClipMedia, Production
from shared.query import Between, Beyond, Exactly, Value
from shared.query_fields import Duration, read_dates, read_duration, read_rate

Condition = ColumnElement[bool]
Comparison = Callable[[Any, Any], Any]  # one of operator's ge, gt, le, lt, eq
Step = TypeVar("Step", int, dt.date)
_Number = TypeVar("_Number", Fraction, int)

_A_DAY = dt.timedelta(days=1)


def read_span(
    value: Value, read: Callable[[str], tuple[Step, Step]], step: Any
) -> tuple[Step | None, Step | None]:
    """First and last of the steps that a value covers; None: no end on that side.

    `read` gives first and last of one text, `step` is the distance to the next.
    Raises UsageError for a range that runs backwards, and what `read` raises.
    """
    if isinstance(value, Exactly):
        return read(value.text)
    if isinstance(value, Beyond):
        first, last = read(value.text)
        return (last + step, None) if value.above else (None, first - step)
    low = None if value.low is None else read(value.low)[0]
    high = None if value.high is None else read(value.high)[1]
    if low is not None and high is not None and low > high:
        raise _backwards(value)
    return low, high


def covers(span: tuple[Step | None, Step | None], step: Step) -> bool:
    low, high = span
    return (low is None or low <= step) and (high is None or step <= high)


def shot_within(production: Production, value: Value) -> Condition:
    """Clips whose own time falls on these dates, where a day begins at the production's day hour."""
    low, high = read_span(value, read_dates, _A_DAY)
    since = true() if low is None else Clip.shot_at >= _day_begins(production, low)
    until = true() if high is None else Clip.shot_at < _day_begins(production, high + _A_DAY)
    return and_(Clip.shot_at.is_not(None), since, until)


def _day_begins(production: Production, date: dt.date) -> dt.datetime:
    midnight = dt.datetime.combine(date, dt.time(), zoneinfo.ZoneInfo(production.zone))
    # Adding to an aware datetime moves its wall clock: the day hour is wall clock too.
    return (midnight + dt.timedelta(minutes=production.day_starts_minutes)).astimezone(dt.UTC)


def lasts(value: Value) -> Condition:
    """Clips of this length. Frames are those of the picture; a sound-only clip has none."""
    if isinstance(value, Exactly):
        length = read_duration(value.text)
        until = Duration(length.amount + length.step, length.step, length.frames)
        return and_(_length(operator.ge, length), _length(operator.lt, until))
    return _compared(value, read_duration, _length, lambda length: (length.frames, length.amount))


def _length(compare: Comparison, length: Duration) -> Condition:
    amount = length.amount
    if length.frames:
        return and_(Clip.media == ClipMedia.VIDEO, compare(Clip.frames, int(amount)))
    clip_side = Clip.frames * Clip.rate_den * amount.denominator
    return and_(Clip.frames.is_not(None), compare(clip_side, Clip.rate_num * amount.numerator))


def runs_at(value: Value) -> Condition:
    """Clips of this frame rate; a sampling rate is none."""
    if isinstance(value, Exactly):
        return _rate(operator.eq, read_rate(value.text).fraction)
    return _compared(value, lambda text: read_rate(text).fraction, _rate, lambda rate: (False, rate))


def _rate(compare: Comparison, rate: Fraction) -> Condition:
    same = compare(Clip.rate_num * rate.denominator, Clip.rate_den * rate.numerator)
    return and_(Clip.media != ClipMedia.AUDIO, same)


def _compared(
    value: Between | Beyond,
    read: Callable[[str], Any],
    condition: Callable[[Comparison, Any], Condition],
    order: Callable[[Any], tuple[bool, Fraction]],
) -> Condition:
    """Conditions on a value without steps. `order` says of what unit it is, and how much."""
    if isinstance(value, Beyond):
        return condition(operator.gt if value.above else operator.lt, read(value.text))
    low = None if value.low is None else read(value.low)
    high = None if value.high is None else read(value.high)
    if low is not None and high is not None:
        (low_unit, low_amount), (high_unit, high_amount) = order(low), order(high)
        if low_unit == high_unit and low_amount > high_amount:
            raise _backwards(value)
    return and_(
        true() if low is None else condition(operator.ge, low),
        true() if high is None else condition(operator.le, high),
    )


def _backwards(value: Between) -> UsageError:
    return UsageError(
        f"the range {value.low}..{value.high} runs backwards",
        remedy=f"Write {value.high}..{value.low}.",
    )
