"""Parts of a file as a caller asks for them: byte ranges of RFC 9110, section 14.

One range is answered with 206. Several in one request are ignored and the whole is sent, as 14.2 allows:
a player never asks so, and a caller that sends a thousand small ones gets no thousandfold work done. What
does not follow the grammar, or counts in another unit, is ignored as well.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass
from email.utils import format_datetime, parsedate_to_datetime

from api.errors import PreconditionFailedError, RangeError
from api.etags import is_known

_SINGLE = re.compile(
    r"bytes=[ \t]*(?:([0-9]{1,30})-([0-9]{0,30})|-([0-9]{1,30}))[ \t]*", re.ASCII | re.IGNORECASE
)
_STRONG_TAG = re.compile(r'"[^"]*"')
_TAG = re.compile(r'(W/)?("[^"]*")')


@dataclass(frozen=True, slots=True)
class Part:
    """`length` bytes from `start` on, of a file of `size` bytes."""

    start: int
    length: int
    size: int

    @property
    def content_range(self) -> str:
        return f"bytes {self.start}-{self.start + self.length - 1}/{self.size}"


@dataclass(frozen=True, slots=True)
class Version:
    """What tells one state of a file from another. `changed_at`: to the second, as HTTP has it."""

    tag: str
    changed_at: dt.datetime

    @property
    def last_modified(self) -> str:
        return format_datetime(self.changed_at, usegmt=True)


def find_part(given: str | None, size: int) -> Part | None:
    """The part that is asked for; None: the whole. Raises RangeError for one that the file does not have."""
    found = _SINGLE.fullmatch(given) if given is not None else None
    if found is None:
        return None
    first, last, suffix = found.groups()
    if suffix is not None:
        length = min(int(suffix), size)
        if int(suffix) > 0 and size == 0:
            return None  # 14.1.2: it can be satisfied, and there is no range to name
        start = size - length
    else:
        start = int(first)
        if last and int(last) < start:
            return None  # 14.1.2: invalid, so there is no range at all
        length = min(int(last) if last else size, size - 1) - start + 1
    if length <= 0 or start >= size:
        raise RangeError(
            f"the file has {size} bytes, and none of them is in this range",
            size=size,
            remedy="Content-Range says how long it is.",
        )
    return Part(start, length, size)


def check_conditions(headers: Mapping[str, str], version: Version) -> bool:
    """Whether the caller has this version already (then 304). The order is that of RFC 9110, 13.2.2.

    Raises PreconditionFailedError for If-Match and If-Unmodified-Since.
    """
    if_match, unmodified = headers.get("if-match"), _date(headers.get("if-unmodified-since"))
    if if_match is not None:
        kept = if_match.strip() == "*" or version.tag in [t for weak, t in _TAG.findall(if_match) if not weak]
    else:
        kept = unmodified is None or version.changed_at <= unmodified
    if not kept:
        raise PreconditionFailedError("the file is another one by now", remedy="Read it from its beginning.")
    if_none_match = headers.get("if-none-match")
    if if_none_match is not None:
        return is_known(if_none_match, version.tag)
    modified = _date(headers.get("if-modified-since"))
    return modified is not None and version.changed_at <= modified


def may_give_part(if_range: str | None, version: Version) -> bool:
    """Whether a range may be answered with a part (13.1.5): without If-Range, or if the file is the same.

    A weak tag never fits; a date fits only if it is exact.
    """
    if if_range is None:
        return True
    given = if_range.strip()
    if _STRONG_TAG.fullmatch(given):
        return given == version.tag
    return _date(given) == version.changed_at


def _date(given: str | None) -> dt.datetime | None:
    """An HTTP date; None for what is none, which is then ignored (13.1.3)."""
    if given is None:
        return None
    try:
        parsed = parsedate_to_datetime(given)
    except (ValueError, OverflowError):
        return None
    return parsed.replace(tzinfo=dt.UTC) if parsed.tzinfo is None else parsed
