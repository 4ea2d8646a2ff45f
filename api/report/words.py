"""Numbers, times and states as an offload report says them."""

from __future__ import annotations

import datetime as dt
import shlex
import zoneinfo
from collections.abc import Sequence
from fractions import Fraction

from api.handover.text import plain_text, say_length
from shared.models import OffloadState

CAUTION = "Formatting a card destroys the footage on it. This page is advice; the decision is yours."
THOUSANDS = "\u202f"  # a narrow space that does not break, as ISO 80000-1 has it

STATE_WORDS = {
    OffloadState.RUNNING: "Not ended: this offload is still running, or was stopped before it could say so.",
    OffloadState.DONE: "Done. Every file was copied to every destination and proven there.",
    OffloadState.PARTIAL: "Done in part. Each file and each drive that failed is named below.",
    OffloadState.FAILED: "Failed. Nothing was proven by this offload.",
}
ALGORITHM_WORDS = {
    "xxh128": "XXH3, 128 bits (xxh128)",
    "xxh3": "XXH3, 64 bits (xxh3)",
    "xxh64": "XXH64 (xxh64)",
    "md5": "MD5 (md5)",
    "sha1": "SHA-1 (sha1)",
    "c4": "C4, SMPTE ST 2114 (c4)",
}
COPY_WORDS = {
    "verified": "verified",
    "written": "written, not verified",
    "differs": "differs from the card",
    "missing": "missing",
}
KIND_WORDS = {
    "card": "Card",
    "destination": "Destination",
    "copy": "Copy",
    "manifest": "Hash list",
    "media": "Media",
    "note": "Note",
}
READ_BACK_WORDS = {"medium": "from the medium", "memory possible": "perhaps from memory"}


def clean(text: str) -> str:
    """Text on one line with every blank kept: two names that differ in their blanks stay two."""
    return plain_text(text).replace("\n", "\\u000a").replace("\t", "\\u0009")


def say_number(number: int) -> str:
    return f"{number:,}".replace(",", THOUSANDS)


def say_count(number: int, one: str) -> str:
    return f"{say_number(number)} {one if number == 1 else one + 's'}"


def say_size(size: int) -> str:
    """Exact, and in decimal units as drives are labelled: "2 307 082 bytes (2.3 MB)"."""
    exact = say_count(size, "byte")
    amount, units = Fraction(size), ("bytes", "kB", "MB", "GB", "TB")
    place = 0
    while amount >= 1000 and place < len(units) - 1:
        amount, place = amount / 1000, place + 1
    return exact if place == 0 else f"{exact} ({float(amount):.1f} {units[place]})"


def say_speed(size: int, seconds: Fraction) -> str:
    """Megabytes (10^6 bytes) a second."""
    return f"{float(size / seconds / 1_000_000):.1f} MB/s"


def say_seconds(seconds: Fraction) -> str:
    """ "12.480 seconds", and beside it minutes and hours where there are some."""
    thousandths = int(seconds * 1000 + Fraction(1, 2))
    exact = f"{say_number(thousandths // 1000)}.{thousandths % 1000:03} seconds"
    return exact if seconds < 60 else f"{say_length(seconds)} ({exact})"


def say_time(at: dt.datetime, zone: dt.tzinfo) -> str:
    """ "2026-05-12 18:04:09 UTC+02:00": wall clock and offset, which together are one instant."""
    here = at.astimezone(zone)
    offset = f"{here:%z}"  # +0200
    return f"{here:%Y-%m-%d %H:%M:%S} UTC{offset[:3]}:{offset[3:5]}"


def zone_of(name: str) -> dt.tzinfo:
    """The zone of this name; UTC where this machine does not know it."""
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return dt.UTC


def say_list(names: Sequence[str]) -> str:
    """ "1, 2 and 3"."""
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)


def ask_again(source: str, production: str) -> str:
    """The command that answers anew. CARD stands for a folder that can't be typed as it is shown."""
    card = shlex.quote(source) if source and source.isprintable() and "\\" not in source else "CARD"
    return f"rushlight card {card} --production {shlex.quote(production)}"
