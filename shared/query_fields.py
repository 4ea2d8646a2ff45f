"""The fields of the query language, and how their values are read.

What exists in one production (its cameras, people, tags …) is not known here; see
`shared/catalogue/conditions.py`.
"""

from __future__ import annotations

import calendar
import datetime as dt
import enum
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from shared.errors import TimecodeError, UsageError
from shared.timecode import Rate
from shared.words import show_short, split_words


class FieldKind(enum.StrEnum):
    """What a field's values are, and so how they are compared."""

    TERM = "a term of the vocabulary"
    NAME = "a name that exists in the production"
    TEXT = "part of a text"
    DAY = "a day's number"
    DATE = "a date"
    DURATION = "a length of time"
    RATE = "a frame rate"
    SPEECH = "words that are heard"
    CHOICE = "one of a fixed list"


@dataclass(frozen=True, slots=True)
class QueryField:
    name: str
    kind: FieldKind
    help: str
    choices: tuple[str, ...] = ()

    @property
    def ordered(self) -> bool:
        """Whether a range makes sense; of the vocabulary's fields only the ranked ones take it."""
        return self.kind not in (FieldKind.NAME, FieldKind.TEXT, FieldKind.CHOICE, FieldKind.SPEECH)


@dataclass(frozen=True, slots=True)
class Duration:
    """A length as it was typed. `frames` says that `amount` counts frames, else it is in seconds.

    `step` is one unit of the last digit typed: "30s" covers 30 s up to 31 s.
    """

    amount: Fraction
    step: Fraction
    frames: bool


MEDIA = ("video", "audio", "image", "unknown")
TERM_FIELDS = (
    "kind",
    "size",
    "angle",
    "movement",
    "support",
    "audio",
    "rating",
    "reason",
    "int_ext",
    "time_of_day",
    "direction",
    "sync",
    "sensitive",
)
TEXT_FIELDS = ("place", "scene", "subject", "note", "language")
# What `has:` and `no:` ask for: a row, or a value in the field of that name.
PRESENCE = (
    "log",
    "finding",
    "still",
    "moment",
    "tag",
    "person",
    "camera",
    "lens",
    "day",
    "date",
    "timecode",
    "wish",
    "release",
    "transcript",
    *TERM_FIELDS,
    *TEXT_FIELDS,
)

_FIELDS = (
    QueryField("day", FieldKind.DAY, "number of the shooting day: day:2, day:2..3"),
    QueryField("date", FieldKind.DATE, "date of the shooting day: date:2026-05-01, date:2026-05"),
    QueryField("camera", FieldKind.NAME, "letter or name: camera:A"),
    QueryField("lens", FieldKind.NAME, 'name, or words of it: lens:"35 mm"'),
    QueryField("reel", FieldKind.NAME, "name: reel:A001"),
    *(QueryField(name, FieldKind.TERM, f"code or any name of a term: {name}:…") for name in TERM_FIELDS),
    QueryField("person", FieldKind.NAME, 'name, or words of it: person:"Ada Wren"'),
    QueryField("tag", FieldKind.NAME, "the whole tag: tag:ferry"),
    *(QueryField(name, FieldKind.TEXT, f"part of the {name}: {name}:…") for name in TEXT_FIELDS),
    QueryField("says", FieldKind.SPEECH, 'words heard in it, in any form: says:"the chain holds"'),
    QueryField("name", FieldKind.TEXT, "part of the clip's or a file's name: name:C0001"),
    QueryField("media", FieldKind.CHOICE, "what was recorded: media:audio", MEDIA),
    QueryField("wish", FieldKind.NAME, "wanted shot that it answers, by code or words: wish:W3"),
    QueryField("finding", FieldKind.NAME, "code of a finding: finding:no-signal"),
    QueryField("duration", FieldKind.DURATION, "duration:>30s, duration:1m..2m, duration:<50f"),
    QueryField("rate", FieldKind.RATE, "frame rate: rate:25, rate:30000/1001"),
    QueryField("has", FieldKind.CHOICE, "something is there: has:finding", PRESENCE),
    QueryField("no", FieldKind.CHOICE, "something is not there: no:log", PRESENCE),
)
FIELDS: Mapping[str, QueryField] = MappingProxyType({field.name: field for field in _FIELDS})
OTHER_NAMES: Mapping[str, str] = MappingProxyType({"shot": "date", "said": "says"})

_DAY = re.compile(r"[0-9]{1,6}")
_DATE = re.compile(r"([0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2}))?)?")
_DURATION = re.compile(r"([0-9]{1,9})(?:\.([0-9]{1,3}))?([smhf])")
_UNIT_SECONDS = {"s": 1, "m": 60, "h": 3600}
_LONGEST_SECONDS = 10_000_000  # keeps every product of a comparison within 64 bits
_FIRST_YEAR, _LAST_YEAR = 1900, 2999


def read_day(text: str) -> int:
    """Raises UsageError unless the text is a number."""
    if not _DAY.fullmatch(text):
        raise UsageError(f"{show_short(text)} is no day", remedy="Write a day's number: day:2 or day:2..3.")
    return int(text)


def read_dates(text: str) -> tuple[dt.date, dt.date]:
    """First and last date of a day, a month or a year. Raises UsageError for any other text."""
    problem = UsageError(
        f"{show_short(text)} is no date",
        remedy=f"Write 2026-05-01, 2026-05 or 2026, between {_FIRST_YEAR} and {_LAST_YEAR}.",
    )
    found = _DATE.fullmatch(text)
    if found is None or not _FIRST_YEAR <= int(found[1]) <= _LAST_YEAR:
        raise problem
    year, month, day = int(found[1]), found[2], found[3]
    try:
        if day:
            date = dt.date(year, int(month), int(day))
            return date, date
        if month:
            last = calendar.monthrange(year, int(month))[1]
            return dt.date(year, int(month), 1), dt.date(year, int(month), last)
        return dt.date(year, 1, 1), dt.date(year, 12, 31)
    except ValueError:  # a month or a day that the calendar does not have
        raise problem from None


def read_duration(text: str) -> Duration:
    """Raises UsageError unless the text is a number with its unit (s, m, h, or f for frames)."""
    found = _DURATION.fullmatch(text)
    if found is None or (found[3] == "f" and found[2]):
        raise UsageError(
            f"{show_short(text)} is no length of time",
            remedy="Write a number and its unit: 30s, 1.5m, 2h, or 750f for frames.",
        )
    amount = Fraction(f"{found[1]}.{found[2] or 0}")
    step = Fraction(1, 10 ** len(found[2] or ""))
    if found[3] == "f":
        return Duration(amount, step, frames=True)
    unit = _UNIT_SECONDS[found[3]]
    if amount * unit > _LONGEST_SECONDS:
        raise UsageError(f"{show_short(text)} is longer than any clip", remedy="Write a shorter time.")
    return Duration(amount * unit, step * unit, frames=False)


def read_rate(text: str) -> Rate:
    """Raises UsageError for a rate that is not exact, or out of range."""
    try:
        return Rate.parse(text)
    except TimecodeError as error:
        raise UsageError(error.message, remedy=error.remedy) from error


_READERS: Mapping[FieldKind, Callable[[str], object]] = MappingProxyType(
    {
        FieldKind.DAY: read_day,
        FieldKind.DATE: read_dates,
        FieldKind.DURATION: read_duration,
        FieldKind.RATE: read_rate,
    }
)


def check_value(field: QueryField, text: str) -> None:
    """Raise UsageError for a value that this field can't have in any production."""
    if field.choices and text.lower() not in field.choices:
        raise UsageError(
            f"{field.name} has no value {show_short(text)}; there are: {', '.join(field.choices)}",
            remedy="Choose one of these.",
        )
    if field.kind is FieldKind.SPEECH and not split_words(text):
        raise UsageError(
            f"there is nothing to listen for in {show_short(text)}",
            remedy="Write a word with a letter or a digit.",
        )
    reader = _READERS.get(field.kind)
    if reader is not None:
        reader(text)
