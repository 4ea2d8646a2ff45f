"""What a person writes down of two clocks, and the correction that follows. Pure."""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from dataclasses import dataclass

from shared.errors import UsageError
from shared.models.production import ZoneRule
from shared.words import show_short

_TIME = re.compile(
    r"(?:([0-9]{4})-([0-9]{2})-([0-9]{2})[T ]+)?"
    r"([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,6}))?)?\s*(Z|UTC|[+-][0-9]{2}:?[0-9]{2})?"
)
_DAY = dt.timedelta(days=1)
# A camera that keeps UTC and seems off by nearly the zone's offset: is it, or was a face of UTC read?
_NEAR_OFFSET = dt.timedelta(minutes=10)


@dataclass(frozen=True, slots=True)
class Face:
    """A clock's face: a time of day, and its date and its offset from UTC where they were written too."""

    text: str
    time: dt.time
    date: dt.date | None = None
    offset: dt.timedelta | None = None


def read_face(text: str, option: str) -> Face:
    """Read "14:03:10", "2026-05-12 14:03:10", either with Z or +02:00 behind. Raises UsageError."""
    match = _TIME.fullmatch(text.strip())
    remedy = "Write it as 14:03:10 or '2026-05-12 14:03:10'; behind it Z or +02:00 where it shows that zone."
    if match is None:
        raise UsageError(f"{option} {show_short(text)} is no time of day", remedy=remedy)
    year, month, day, hour, minute, second, part, zone = match.groups()
    try:
        date = None if year is None else dt.date(int(year), int(month), int(day))
        time = dt.time(int(hour), int(minute), int(second or 0), int((part or "0").ljust(6, "0")))
        offset = None if zone is None else _read_offset(zone)
        if date is not None and not 1970 <= date.year < 2200:
            raise ValueError("no clock of a camera has this year")
    except ValueError as error:
        raise UsageError(f"{option} {show_short(text)} does not exist: {error}", remedy=remedy) from error
    return Face(text.strip(), time, date, offset)


def _read_offset(text: str) -> dt.timedelta:
    if text in ("Z", "UTC"):
        return dt.timedelta(0)
    hours, minutes = int(text[1:3]), int(text[-2:])
    if hours > 14 or minutes > 59:
        raise ValueError("zones are at most 14 hours from UTC")
    return dt.timedelta(hours=hours, minutes=minutes) * (-1 if text[0] == "-" else 1)


def correction_of(
    shown: Face, true: Face, zone: zoneinfo.ZoneInfo, rule: ZoneRule, on: dt.date | None = None
) -> dt.timedelta:
    """True minus shown. Faces without an offset are wall clocks in `zone`, as people read both in one place.

    `on` is the date where neither face has one. Without both dates the clocks are taken to differ by at most
    twelve hours. Raises UsageError where a zone needs a date, or a camera set to UTC leaves two readings.
    """
    date = true.date or shown.date or on
    if date is None and (shown.offset is not None or true.offset is not None):
        raise UsageError(
            "a time with a zone needs a date, as clocks change in summer",
            remedy=f"Write the date too: --true '2026-05-12 {true.text}', or give --day.",
        )
    if date is None:
        difference = _naive(true, date) - _naive(shown, date)
    else:  # as stamps are read: each by the offset of its own date, summer or winter
        difference = _instant(true, date, zone) - _instant(shown, date, zone)
    if shown.date is None or true.date is None:
        difference = nearest(difference)
    if rule is ZoneRule.UTC and shown.offset is None and date is not None:
        _refuse_two_readings(shown, true, zone, date, difference)
    return difference


def nearest(difference: dt.timedelta) -> dt.timedelta:
    """The same difference of two times of day, by whole days as near to nothing as it can be."""
    rest = difference % _DAY
    return rest - _DAY if rest > _DAY / 2 else rest


def _naive(face: Face, date: dt.date | None) -> dt.datetime:
    return dt.datetime.combine(face.date or date or dt.date(2000, 1, 2), face.time, dt.UTC)


def _instant(face: Face, date: dt.date, zone: zoneinfo.ZoneInfo) -> dt.datetime:
    if face.offset is not None:
        return _naive(face, date) - face.offset
    return _naive(face, date).replace(tzinfo=zone).astimezone(dt.UTC)


def _refuse_two_readings(
    shown: Face, true: Face, zone: zoneinfo.ZoneInfo, date: dt.date, difference: dt.timedelta
) -> None:
    offset = dt.datetime.combine(date, true.time, zone).utcoffset() or dt.timedelta(0)
    if offset and abs(difference - offset) <= _NEAR_OFFSET:
        raise UsageError(
            f"this camera is read as set to UTC, and {shown.text} is about what UTC was at {true.text}",
            remedy=f"Say which clock its face is: --shown '{shown.text}Z' if it shows UTC (then it is right, "
            "or nearly), or the zone of a wall clock that is off, such as "
            f"--shown '{shown.text}{_offset_text(offset)}'.",
        )


def _offset_text(offset: dt.timedelta) -> str:
    minutes = offset // dt.timedelta(minutes=1)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def tell_span(span: dt.timedelta) -> str:
    """A correction in words: "+1 h 0 min 3 s", "−0.25 s", "0 s"."""
    milliseconds = abs(span) // dt.timedelta(milliseconds=1)
    if not milliseconds:
        return "0 s"
    days, rest = divmod(milliseconds, 86_400_000)
    hours, rest = divmod(rest, 3_600_000)
    minutes, rest = divmod(rest, 60_000)
    parts = [(days, "d"), (hours, "h"), (minutes, "min")]
    begun = [
        f"{count} {unit}"
        for place, (count, unit) in enumerate(parts)
        if any(n for n, _ in parts[: place + 1])
    ]
    seconds = f"{rest / 1000:g} s"
    return ("−" if span < dt.timedelta(0) else "+") + " ".join(
        [*begun, *([seconds] if rest or not begun else [])]
    )
