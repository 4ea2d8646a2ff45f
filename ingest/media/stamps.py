"""When a file says it was recorded: which of its stamps to take, and what is known of its zone.

The stamp stays as read. MP4 and MOV headers count seconds since 1904 and are meant to be UTC (ISO/IEC
14496-12), but many writers put local time there: so "assumed-utc", never "stated".
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.media.facts import NOTE, TEXT_LIMITS, Noticed

STATED, ASSUMED_UTC, LOCAL, UNKNOWN = "stated", "assumed-utc", "local", "unknown"

# Clocks that were never set: day zero of QuickTime, of Unix and of FAT, and the blank date of a `bext`.
_UNSET = re.compile(r"(?:0000|1904-01-01|1970-01-01|1980-01-01)")
_OFFSET = re.compile(r"(?:Z|[+-]\d{2}:?\d{2})$")
_DATE = re.compile(r"(?:UTC )?\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True)
class Stamp:
    raw: str
    field: str
    zone: str


def recorded(
    general: Mapping[str, Any], tracks: Sequence[Mapping[str, Any]]
) -> tuple[Stamp | None, list[Noticed]]:
    """The best stamp of a MediaInfo report: one with its own offset before a header's. None: it has none."""
    container = str(general.get("Format", ""))
    unset: Stamp | None = None
    for stamp in _candidates(container, general, tracks):
        if _UNSET.match(stamp.raw.removeprefix("UTC ")):
            unset = unset or stamp
        elif _DATE.match(stamp.raw):
            return stamp, []
    if unset is None and (container != "MPEG-4" or not tracks):
        return None, []  # the format need not carry a date, or its header is missing altogether
    shown = f"{unset.raw} ({unset.field})" if unset else "zero (movie header)"
    return None, [
        Noticed(
            "recorded-date-unset",
            NOTE,
            f"The recording date is {shown}, the day at which an unset clock begins: taken as no date.",
            rule="A date at the epoch of its format is no date.",
        )
    ]


def _candidates(
    container: str, general: Mapping[str, Any], tracks: Sequence[Mapping[str, Any]]
) -> list[Stamp]:
    found: list[Stamp] = []
    extra = general.get("extra")
    for name, value in (extra if isinstance(extra, dict) else {}).items():
        # QuickTime metadata: an ISO 8601 text of local time with its offset, under a key of this ending.
        if name.lower().endswith("creationdate") and isinstance(value, str):
            found.append(_stamp(value, "metadata creationdate", LOCAL))
    video = next((track for track in tracks if track.get("@type") == "Video"), {})
    for track, place in ((general, "General"), (video, "Video")):
        for name in ("Recorded_Date", "Encoded_Date"):
            value = track.get(name)
            if isinstance(value, str):
                found.append(_stamp(value, *_header_rule(container, place, name, general)))
    return found


def _header_rule(container: str, place: str, name: str, general: Mapping[str, Any]) -> tuple[str, str]:
    """Where a header's stamp stood, and what its format says of the zone when the text itself is silent."""
    extra = general.get("extra")
    has_bext = isinstance(extra, dict) and extra.get("bext_Present") == "Yes"
    if name == "Encoded_Date":
        if container == "MPEG-4":
            return ("movie header" if place == "General" else "track header"), ASSUMED_UTC
        if container == "Matroska":
            return "DateUTC", STATED  # RFC 9559: DateUTC is UTC
        if container in ("Wave", "Wave64") and has_bext:
            # EBU Tech 3285 names no zone. TimeReference counts from midnight: so it is a wall clock.
            return "bext origination", LOCAL
    return f"{place} {name}", UNKNOWN


def _stamp(raw: str, field: str, zone: str) -> Stamp:
    raw = raw.strip()
    if _OFFSET.search(raw):
        zone = STATED
    return Stamp(raw[: TEXT_LIMITS["recorded_raw"]], field, zone)
