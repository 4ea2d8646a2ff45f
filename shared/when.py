"""When a clip was shot: a raw stamp, read by the rule of its container and of its camera.

The stamp itself is never changed. What comes out says which stamp it was and how sure it is:
`stated` the file gives the zone; `assumed` the zone is the camera's or the container's rule; `file` only the
file's own time on the card is known (for most recorders the end of the take); `none` nothing is. Pure: no
database, no file is touched, so a reading can be redone whenever a rule or a correction changes.
"""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Protocol

from shared.capture import STATED, capture_of
from shared.models.production import ZoneRule

# No camera card is older than the cards themselves; stamps before this are clocks that were never set.
EARLIEST = dt.datetime(1995, 1, 1, tzinfo=dt.UTC)
LATEST = dt.datetime(2200, 1, 1, tzinfo=dt.UTC)  # past this a stamp is broken, or made to break something
_STAMP = re.compile(
    r"(\d{4})[-:/](\d\d)[-:/](\d\d)[T ](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?\s*(Z|UTC|[+-]\d\d:?\d\d)?$"
)


_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_SOURCE_LIMIT = 48  # of 64: what is known of the stamp's end stands behind it
# Seconds by which times may miss: stamps have whole seconds, FAT keeps a file's time to 2 s.
SLACK = 3
QUARTER = 15 * 60  # seconds; every zone in use today is a multiple of 15 minutes from UTC (IANA tz database)


class Stamped(Protocol):
    """What is asked of facts: those just read from a file, or their row in the catalogue."""

    @property
    def recorded_raw(self) -> str | None: ...
    @property
    def recorded_field(self) -> str | None: ...
    @property
    def recorded_zone(self) -> str | None: ...
    @property
    def frames(self) -> int | None: ...
    @property
    def rate_num(self) -> int | None: ...
    @property
    def rate_den(self) -> int | None: ...
    @property
    def samples(self) -> int | None: ...
    @property
    def audio_rate(self) -> int | None: ...
    @property
    def more(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True, slots=True)
class Clock:
    """How to read a camera's stamps: its rule, its correction (true minus shown), the production's zone."""

    zone: zoneinfo.ZoneInfo
    rule: ZoneRule = ZoneRule.UNKNOWN
    correction: dt.timedelta = dt.timedelta(0)


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant (None: not known), where it came from and how sure it is.

    `read_as` says which rule the digits were read by: "stated" by the zone beside them, "local" as the
    production's wall clock, "utc"; "file" for a file's own time. `correction` was added after that.
    """

    at: dt.datetime | None
    source: str
    certainty: str
    read_as: str = ""
    correction: dt.timedelta = dt.timedelta(0)

    @property
    def uncorrected(self) -> dt.datetime | None:
        """What the clock said."""
        return None if self.at is None else self.at - self.correction


NOT_KNOWN = Moment(None, "", "none")


def parse_stamp(raw: str) -> tuple[dt.datetime, bool] | None:
    """A raw stamp as a datetime, and whether it states its zone. "UTC" may stand before or behind.

    The datetime is aware when the zone is stated and naive when it is not. None for anything else.
    """
    text = raw.strip()
    stated_utc = text.startswith("UTC ")
    match = _STAMP.match(text.removeprefix("UTC ").strip())
    if match is None:
        return None
    year, month, day, hour, minute, second = (int(match[n]) for n in range(1, 7))
    microsecond = int((match[7] or "0")[:6].ljust(6, "0"))
    try:
        naive = dt.datetime(year, month, day, hour, minute, second, microsecond)
    except ValueError:
        return None
    offset = match[8]
    if offset in ("Z", "UTC") or (offset is None and stated_utc):
        return naive.replace(tzinfo=dt.UTC), True
    if offset is not None:
        sign = -1 if offset[0] == "-" else 1
        delta = dt.timedelta(hours=int(offset[1:3]), minutes=int(offset[-2:])) * sign
        return naive.replace(tzinfo=dt.timezone(delta)), True
    return naive, False


def read_time(facts: Stamped | None, mtime_ns: int, clock: Clock) -> Moment:
    """When the recording began, from the best stamp there is. A correction counts for every source."""
    stamped = _from_stamp(facts, mtime_ns, clock) if facts is not None else None
    return stamped or _from_file(facts, mtime_ns, clock)


def _from_stamp(facts: Stamped, mtime_ns: int, clock: Clock) -> Moment | None:
    if facts.recorded_raw is None:
        return None
    parsed = parse_stamp(facts.recorded_raw)
    if parsed is None:
        return None
    found, _ = parsed
    certainty = read_as = "stated"
    if facts.recorded_zone != "stated":
        # A container that is meant to hold UTC often holds the wall clock: the camera's rule decides.
        wall = clock.rule is ZoneRule.LOCAL or (
            clock.rule is ZoneRule.UNKNOWN and facts.recorded_zone in ("local", "unknown")
        )
        certainty, read_as = "assumed", "local" if wall else "utc"
        found = found.replace(tzinfo=clock.zone if wall else dt.UTC)
    elif found.tzinfo is None:
        found = found.replace(tzinfo=dt.UTC)
    try:
        shown = found.astimezone(dt.UTC)
    except OverflowError:
        return None
    at = _corrected(shown, clock.correction)
    if at is None:
        return None
    source = (facts.recorded_field or "stamp")[:_SOURCE_LIMIT] + _which_end(facts, shown, mtime_ns)
    return Moment(at, source, certainty, read_as, clock.correction)


def _which_end(facts: Stamped, shown: dt.datetime, mtime_ns: int) -> str:
    """Whether the stamp is the take's start, by the file's own time, which is commonly its end.

    Compared modulo a quarter of an hour: the two may be in different zones. "" where it can't be told.
    """
    length = real_duration(facts)
    if length is None or length <= 2 * SLACK:
        return ""
    after = Fraction(mtime_ns, 10**9) - Fraction((shown - _EPOCH) // dt.timedelta(microseconds=1), 10**6)
    if abs(after) > dt.timedelta(hours=15).total_seconds() + length:
        return ""  # a file's time that is of another day: a copy's
    if off_quarter(after - length) <= SLACK:
        return ": start"
    return ": start or end" if off_quarter(after) <= SLACK else ""


def off_quarter(seconds: Fraction) -> Fraction:
    """How far this is from a multiple of 15 minutes, in seconds, never negative."""
    rest = seconds % QUARTER
    return min(rest, QUARTER - rest)


def _corrected(shown: dt.datetime, correction: dt.timedelta) -> dt.datetime | None:
    """None for a clock that was never set: neither what it shows nor what comes of it is a date."""
    try:
        at = shown + correction
    except OverflowError:
        return None
    return at if EARLIEST <= at < LATEST else None


def _from_file(facts: Stamped | None, mtime_ns: int, clock: Clock) -> Moment:
    try:
        shown = dt.datetime.fromtimestamp(mtime_ns // 1_000_000_000, dt.UTC)
    except (OverflowError, ValueError, OSError):
        return NOT_KNOWN
    at = _corrected(shown, clock.correction)
    if at is None:
        return NOT_KNOWN
    length = real_duration(facts) if facts is not None else None
    if length is not None:  # the file's time is commonly the end of the take
        try:
            at -= dt.timedelta(seconds=round(length))
        except OverflowError:
            return NOT_KNOWN
        if at < EARLIEST:
            return NOT_KNOWN
    return Moment(at, "file time", "file", "file", clock.correction)


def duration(facts: Stamped) -> Fraction | None:
    """Seconds that it plays, exact; None where the file does not say."""
    if facts.frames is not None and facts.rate_num and facts.rate_den:
        return Fraction(facts.frames * facts.rate_den, facts.rate_num)
    if facts.samples is not None and facts.audio_rate:
        return Fraction(facts.samples, facts.audio_rate)
    return None


def real_duration(facts: Stamped) -> Fraction | None:
    """Seconds that the taking took, exact: less than it plays, where a file states a higher capture rate."""
    capture = capture_of(facts.more or {})
    if capture is None or capture.certainty != STATED or facts.frames is None:
        return duration(facts)
    return facts.frames / capture.rate
