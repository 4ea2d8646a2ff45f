"""States, sizes and lengths as people say them."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass

from api.reads.copies import CopiesAt, ReelCopies
from shared.models import CopyState, Severity

# Not by the system's language: the page reads the same wherever it is made.
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)

_COUNTED = re.compile(r"^[0-9]+ files?\b")

# Two copies on different drives are what a card may be formatted on (common practice, no source).
ENOUGH_COPIES = 2

COPY_WORDS = {
    CopyState.VERIFIED: "verified",
    CopyState.WRITTEN: "written, not verified",
    CopyState.DIFFERS: "differs from the card",
    CopyState.MISSING: "missing",
}
SEVERITY_WORDS = {Severity.NOTE: "Note", Severity.WARNING: "Warning", Severity.FAULT: "Fault"}
CERTAINTY_WORDS = {
    "stated": "the file states its zone",
    "assumed": "zone assumed from the camera's clock rule",
    "file": "from the file's own date",
    "none": "",
}
# By which rule the digits of a stamp were read: see shared/when.py, Moment.
READ_AS_WORDS = {
    "stated": "it says itself",
    "local": "the wall clock of the production's zone",
    "utc": "UTC",
    "file": "the file's own time",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """How a reel's copies stand. `sound`: nothing is to be done, as far as the catalogue knows.

    `brief`: the same without the count of files, so that reels that stand alike read alike.
    """

    sound: bool
    lines: tuple[str, ...]
    brief: str


def say_date(date: dt.date) -> str:
    return f"{_WEEKDAYS[date.weekday()]} {date.day} {_MONTHS[date.month - 1]} {date.year}"


def say_count(count: int, one: str, many: str | None = None) -> str:
    return f"{count:,} {one if count == 1 else many or one + 's'}".replace(",", "\u202f")


def say_list(names: Sequence[str]) -> str:
    """ "North, South and Attic"."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def write_names(names: Sequence[str]) -> str:
    """As a field takes them: commas between, and quotation marks around a name that has one (RFC 4180)."""
    return ", ".join('"' + one.replace('"', '""') + '"' if set(one) & set(',"') else one for one in names)


def say_place(destination: str) -> str:
    """A destination by its name; one that has none by its folder's, without the way there."""
    return destination.rstrip("/").rpartition("/")[2] or destination


def say_bytes(size: int) -> str:
    """In decimal units, as drives are labelled (IEC 80000-13 keeps MiB for the others)."""
    amount = float(size)
    for unit in ("bytes", "kB", "MB", "GB"):
        if amount < 1000:
            return f"{size} {unit}" if unit == "bytes" else f"{amount:.1f} {unit}"
        amount /= 1000
    return f"{amount:.2f} TB"


def say_standing(copies: ReelCopies, refusals: Sequence[str] = ()) -> Standing:
    """What is proven of a reel, and at how many places; every number is of files.

    `refusals`: why its last offload said that the card is to be kept. Two destinations on one drive, say,
    can't be told here, and were told there.
    """
    lines = []
    brief, last = "", ""
    whole = [one for one in copies.at if _is_whole(one, copies)]
    if whole:
        places = say_list([say_place(one.destination) for one in whole])
        lines.append(f"{_all_files(copies)} verified at {places}.")
        brief = f"Every file that could be read is verified at {places}."
    lines += [_say_destination(one, copies) for one in copies.at if one not in whole]
    if copies.unreadable:
        lines.append(f"{say_count(copies.unreadable, 'file')} could not be read from the card.")
    if copies.unread:
        lines.append(f"{say_count(copies.unread, 'file')} found on the card, and not read yet.")
    if not copies.files:
        lines.append("No file is recorded.")
    if len(whole) < ENOUGH_COPIES:
        lines.append(
            "Only one complete copy: keep the card." if whole else "No complete copy: keep the card."
        )
    elif refusals:
        said = refusals[0].partition(": ")[0]
        lines.append(f"Keep the card, its last offload said: {said}.")
        last = f"Keep the card, its last offload said: {_COUNTED.sub('some files', said)}."
    lacking = copies.unreadable or copies.unread
    sound = len(whole) >= ENOUGH_COPIES and not lacking and not refusals
    rest = lines[1:] if whole else lines
    rest = [*rest[:-1], last] if last else rest
    return Standing(sound, tuple(lines), " ".join([brief, *rest] if brief else rest))


def _is_whole(one: CopiesAt, copies: ReelCopies) -> bool:
    return 0 < one.verified == _readable(copies)


def _readable(copies: ReelCopies) -> int:
    return copies.files - copies.unreadable - copies.unread


def _all_files(copies: ReelCopies) -> str:
    readable = _readable(copies)
    if readable < copies.files:
        return f"The other {say_count(readable, 'file')}"
    return "The one file" if readable == 1 else f"All {say_count(readable, 'file')}"


def _say_destination(one: CopiesAt, copies: ReelCopies) -> str:
    parts = [
        f"{count} {words}"
        for count, words in (
            (one.verified, "verified"),
            (one.written, "written but not verified"),
            (one.differs, "different from the card"),
            (one.missing, "missing"),
        )
        if count
    ]
    return f"At {say_place(one.destination)}: {say_list(parts)}, of {say_count(copies.files, 'file')}."
