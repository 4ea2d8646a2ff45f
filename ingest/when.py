"""When a clip was shot: a raw stamp, read by the rule of its container and of its camera.

The stamp itself is never changed. What comes out says which stamp it was and how sure it is:
`stated` the file gives the zone; `assumed` the zone is the camera's or the container's rule; `file` only the
file's own time on the card is known (for most recorders the end of the take); `none` nothing is.
"""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from dataclasses import dataclass
from fractions import Fraction

from ingest.media.facts import Facts
from shared.models import ZoneRule

# No camera card is older than the cards themselves; stamps before this are clocks that were never set.
EARLIEST = dt.datetime(1995, 1, 1, tzinfo=dt.UTC)
_STAMP = re.compile(
    r"(\d{4})[-:/](\d\d)[-:/](\d\d)[T ](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?\s*(Z|UTC|[+-]\d\d:?\d\d)?$"
)


@dataclass(frozen=True, slots=True)
class Clock:
    """How to read a camera's stamps: its rule, its correction (true minus shown), the production's zone."""

    zone: zoneinfo.ZoneInfo
    rule: ZoneRule = ZoneRule.UNKNOWN
    correction: dt.timedelta = dt.timedelta(0)


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant (None: not known), where it came from and how sure it is."""

    at: dt.datetime | None
    source: str
    certainty: str


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


def read_time(facts: Facts | None, mtime_ns: int, clock: Clock) -> Moment:
    """When the recording began, from the best stamp there is. A correction counts for every source."""
    stamped = _from_stamp(facts, clock) if facts is not None else None
    return stamped or _from_file(facts, mtime_ns, clock)


def _from_stamp(facts: Facts, clock: Clock) -> Moment | None:
    if facts.recorded_raw is None:
        return None
    parsed = parse_stamp(facts.recorded_raw)
    if parsed is None:
        return None
    found, _ = parsed
    source = facts.recorded_field or "stamp"
    certainty = "stated" if facts.recorded_zone == "stated" else "assumed"
    if certainty == "assumed":
        # A container that is meant to hold UTC often holds the wall clock: the camera's rule decides.
        digits = found.replace(tzinfo=None)
        wall = clock.rule is ZoneRule.LOCAL or (
            clock.rule is ZoneRule.UNKNOWN and facts.recorded_zone in ("local", "unknown")
        )
        found = digits.replace(tzinfo=clock.zone if wall else dt.UTC)
    elif found.tzinfo is None:
        found = found.replace(tzinfo=dt.UTC)
    at = found.astimezone(dt.UTC) + clock.correction
    return Moment(at, source, certainty) if at >= EARLIEST else None


def _from_file(facts: Facts | None, mtime_ns: int, clock: Clock) -> Moment:
    at = dt.datetime.fromtimestamp(mtime_ns // 1_000_000_000, dt.UTC) + clock.correction
    if at < EARLIEST:
        return NOT_KNOWN
    length = duration(facts) if facts is not None else None
    if length is not None:  # the file's time is commonly the end of the take
        at -= dt.timedelta(seconds=round(length))
    return Moment(at, "file time", "file")


def duration(facts: Facts) -> Fraction | None:
    """Seconds of the recording, exact; None where the file does not say."""
    if facts.frames is not None and facts.rate_num and facts.rate_den:
        return Fraction(facts.frames * facts.rate_den, facts.rate_num)
    if facts.samples is not None and facts.audio_rate:
        return Fraction(facts.samples, facts.audio_rate)
    return None
