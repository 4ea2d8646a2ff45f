"""What `rushlight log` is told, "field=value", as typed changes."""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass

from shared.errors import UsageError
from shared.query_fields import TERM_FIELDS, TEXT_FIELDS, read_day
from shared.vocabulary import Vocabulary
from shared.words import find_unusable, show_short

LIST_FIELDS = ("tag", "person")
CLIP_FIELDS = ("camera", "lens", "day")  # the clip's own, not its log entry's
LOG_FIELDS = (*TERM_FIELDS, *TEXT_FIELDS, *LIST_FIELDS, *CLIP_FIELDS)

# What the tables' columns hold.
_LONGEST = {"tag": 100, "person": 200, "language": 64}
_LONGEST_TEXT = 20_000
_ASSIGNMENT = re.compile(r"\s*([A-Za-z]+(?:[_-][A-Za-z]+)*)\s*(\+=|-=|=)(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class SetValue:
    """Give a field this value, a code for a vocabulary field; None takes its value away."""

    field: str
    value: str | None


@dataclass(frozen=True, slots=True)
class SetNames:
    """Give `tag` or `person` exactly these names."""

    field: str
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AddNames:
    field: str
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RemoveNames:
    field: str
    names: tuple[str, ...]


Change = SetValue | SetNames | AddNames | RemoveNames


def parse_assignments(texts: Iterable[str], vocabulary: Vocabulary) -> tuple[Change, ...]:
    """Read `field=value`, `field=` (takes the value away), and for tag and person `+=` and `-=`.

    Several names stand between commas; a name with a comma in it stands in quotation marks, as in
    RFC 4180. Raises UsageError that lists the fields, or the terms of a field.
    """
    changes = tuple(_parse_assignment(text, vocabulary) for text in texts)
    if not changes:
        raise UsageError("there is nothing to log", remedy="Write at least one field=value.")
    whole = [change.field for change in changes if isinstance(change, SetValue | SetNames)]
    for field in dict.fromkeys(change.field for change in changes):
        several = sum(change.field == field for change in changes) > 1
        if several and field in whole:
            raise UsageError(f"{field} is set twice", remedy="Leave one of them out.")
    return changes


def _parse_assignment(text: str, vocabulary: Vocabulary) -> Change:
    found = _ASSIGNMENT.fullmatch(text)
    if found is None:
        raise UsageError(
            f"{show_short(text)} is no field=value; the fields are: {', '.join(LOG_FIELDS)}",
            remedy="Write it like kind=interview, tag+=ferry or note=.",
        )
    field, sign, value = found[1].lower().replace("-", "_"), found[2], found[3].strip()
    if field not in LOG_FIELDS:
        near = difflib.get_close_matches(field[:60], LOG_FIELDS, n=1)
        raise UsageError(
            f"there is no field {show_short(found[1])} to log; the fields are: {', '.join(LOG_FIELDS)}",
            remedy=f"Did you mean {near[0]}=?" if near else "Choose one of these.",
        )
    if find_unusable(value) is not None:
        raise UsageError(f"{field} holds a control character", remedy="Leave it out.")
    if field in LIST_FIELDS:
        return _change_names(field, sign, value)
    if sign != "=":
        raise UsageError(f"{field} takes no {sign}", remedy=f"Only {' and '.join(LIST_FIELDS)} do.")
    return SetValue(field, _read_value(field, value, vocabulary) if value else None)


def _read_value(field: str, value: str, vocabulary: Vocabulary) -> str:
    if field in TERM_FIELDS:
        return vocabulary.resolve(field, value).code
    if field == "day":
        return str(read_day(value))
    _check_length(field, value, _LONGEST.get(field, _LONGEST_TEXT))
    return value


def _change_names(field: str, sign: str, value: str) -> Change:
    names = tuple(dict.fromkeys(_split_names(field, value)))
    if sign == "=":
        return SetNames(field, names)
    if not names:
        raise UsageError(f"{field}{sign} needs a name", remedy=f"Write it like {field}{sign}name.")
    return AddNames(field, names) if sign == "+=" else RemoveNames(field, names)


def _split_names(field: str, value: str) -> Iterable[str]:
    one_line = " ".join(value.split())
    try:
        rows = list(csv.reader([one_line], skipinitialspace=True, strict=True))
    except csv.Error:
        raise UsageError(
            f"the quotation marks of {field} {show_short(value)} do not pair",
            remedy='Write them around a whole name: "Wren, Ada".',
        ) from None
    for cell in rows[0] if rows else ():
        name = cell.strip()
        _check_length(field, name, _LONGEST[field])
        if name:
            yield name


def _check_length(field: str, value: str, longest: int) -> None:
    if len(value) > longest:
        raise UsageError(f"{field} has {len(value)} characters, {longest} is the most", remedy="Shorten it.")
