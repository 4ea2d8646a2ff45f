"""What people write of a wish, a narration line or a threshold, as values that the catalogue keeps."""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.journal import Values
from shared.catalogue.lookup import list_known, pick_one
from shared.catalogue.productions import find_day
from shared.errors import NotFoundError, UsageError
from shared.models import NarrationLine, Need, Origin, Production, WantedShot
from shared.query_fields import read_day
from shared.vocabulary import Vocabulary
from shared.words import find_unusable, fold_name, show_short

WISH_FIELDS = (
    *("code", "what", "need", "origin", "words", "line", "beat", "day", "kind", "size", "angle", "camera"),
    *("who", "place", "seconds", "note", "dropped"),
)  # fmt: skip
LINE_FIELDS = ("code", "text", "beat", "picture", "recorded")
_TERMS = ("kind", "size", "angle")
_LONGEST = 20_000
_LONGEST_NAME = 200
_MOST_SECONDS = 86_400
_CODE = re.compile(r"[A-Za-z][A-Za-z0-9_.-]{0,31}")
_ASSIGNMENT = re.compile(r"\s*([A-Za-z_]+)\s*=(.*)", re.DOTALL)


def read_pairs(texts: Iterable[str], fields: tuple[str, ...]) -> dict[str, str]:
    """`field=value` as typed. Raises UsageError that lists the fields."""
    found: dict[str, str] = {}
    for text in texts:
        match = _ASSIGNMENT.fullmatch(text)
        name = match[1].lower() if match is not None else ""
        if match is None or name not in fields:
            near = difflib.get_close_matches(name[:60], fields, n=1)
            raise UsageError(
                f"{show_short(text)} is no field=value; the fields are: {', '.join(fields)}",
                remedy=f"Did you mean {near[0]}=?" if near else f"Write it like {fields[1]}=….",
            )
        if name in found:
            raise UsageError(f"{name} is given twice", remedy="Leave one of them out.")
        found[name] = match[2].strip()
    return found


def wish_values(
    session: Session, production: Production, given: Mapping[str, str], vocabulary: Vocabulary
) -> Values:
    """Values of a wish as `plan_kinds.WISH` takes them; an empty text takes a value away.

    Raises UsageError, NotFoundError for a day, a camera, a line or a term that is not there.
    """
    values: Values = {}
    for name, text in given.items():
        values[name] = _read_wish_value(session, production, name, _checked(name, text), vocabulary)
    if "what" in values and not values["what"]:
        raise UsageError("a wanted shot needs words", remedy='Write what="hands on the wheel".')
    return values


def _read_wish_value(
    session: Session, production: Production, name: str, text: str, vocabulary: Vocabulary
) -> Any:
    if name == "code":
        return read_code(text)
    if name in _TERMS:
        return vocabulary.resolve(name, text).code if text else None
    if name == "need":
        return _one_of(name, text or Need.SHOULD, Need)
    if name == "origin":
        return _one_of(name, text or Origin.IDEA, Origin)
    if name == "seconds":
        return read_seconds(text) if text else None
    if name == "day":
        return find_day(session, production, read_day(text)).date.isoformat() if text else None
    if name == "camera":
        known = list_known(session, production, "camera") if text else []
        return pick_one(known, "camera", text).names[0] if text else None
    if name == "line":
        return find_line(session, production, text).code if text else None
    if name == "who":
        return read_names(text)
    return " ".join(text.split()) if name in ("what", "beat", "place") else text


def line_values(given: Mapping[str, str]) -> Values:
    """Values of a narration line. Raises UsageError."""
    values: Values = {}
    for name, text in given.items():
        checked = _checked(name, text)
        if name == "code":
            values["code"] = read_code(checked)
        elif name == "recorded":
            values["recorded_ms"] = read_milliseconds(checked) if checked else None
        else:
            values[name] = " ".join(checked.split())
    if "text" in values and not values["text"]:
        raise UsageError("a narration line needs words", remedy='Write text="At dawn …".')
    return values


def read_code(text: str) -> str:
    """Raises UsageError for a text that can't be a code."""
    if not _CODE.fullmatch(text):
        raise UsageError(
            f"{show_short(text)} can't be a code",
            remedy="Write a letter and then letters, digits, '-', '_' or '.', 32 at most: W12, hands-1.",
        )
    return text


def read_seconds(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,6}", text) or not 0 < int(text) <= _MOST_SECONDS:
        raise UsageError(f"{show_short(text)} is no number of seconds", remedy="Write a whole number: 8.")
    return int(text)


def read_milliseconds(text: str) -> int:
    """Seconds with at most three places, "12.4", as milliseconds."""
    if not re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,3})?", text) or not 0 < Fraction(text) <= _MOST_SECONDS:
        raise UsageError(f"{show_short(text)} is no length", remedy="Write seconds: 12 or 12.4.")
    return int(Fraction(text) * 1000)


def read_names(text: str) -> list[str]:
    """Names between commas; one with a comma in it stands in quotation marks (RFC 4180)."""
    try:
        rows = list(csv.reader([" ".join(text.split())], skipinitialspace=True, strict=True))
    except csv.Error:
        raise UsageError(
            f"the quotation marks of {show_short(text)} do not pair",
            remedy='Write them around a whole name: "Wren, Ada".',
        ) from None
    names = list(dict.fromkeys(name.strip() for row in rows for name in row if name.strip()))
    if any(len(name) > _LONGEST_NAME for name in names):
        raise UsageError("a name is too long", remedy=f"Write at most {_LONGEST_NAME} characters.")
    return sorted(names)


def _one_of(name: str, text: str, kind: type[Need] | type[Origin]) -> str:
    values = [member.value for member in kind]
    if text.lower() not in values:
        raise UsageError(
            f"{name} has no value {show_short(text)}", remedy=f"Write one of: {', '.join(values)}."
        )
    return text.lower()


def _checked(name: str, text: str) -> str:
    if find_unusable(text) is not None:
        raise UsageError(f"{name} holds a control character", remedy="Leave it out.")
    if len(text) > _LONGEST:
        raise UsageError(f"{name} has {len(text)} characters", remedy=f"Write at most {_LONGEST}.")
    return text.strip()


def find_line(session: Session, production: Production, code: str) -> NarrationLine:
    """By its code, whatever its case. Raises NotFoundError."""
    rows = select(NarrationLine).where(NarrationLine.production_id == production.id)
    found = [one for one in session.scalars(rows) if one.code.casefold() == code.strip().casefold()]
    if not found:
        raise NotFoundError(
            f"{production.name} has no narration line {show_short(code)}",
            remedy="List them with `rushlight narration`.",
        )
    return found[0]


def find_wish(session: Session, production: Production, text: str) -> WantedShot:
    """By its code, else by its words. Raises NotFoundError, UsageError when several have these words."""
    rows = list(session.scalars(select(WantedShot).where(WantedShot.production_id == production.id)))
    key = text.strip().casefold()
    found = [one for one in rows if one.code.casefold() == key] or [
        one for one in rows if fold_name(one.what) == fold_name(text)
    ]
    if not found:
        raise NotFoundError(
            f"{production.name} has no wanted shot {show_short(text)}",
            remedy="List them with `rushlight wish`.",
        )
    if len(found) > 1:
        raise UsageError(
            f"{show_short(text)} could be {', '.join(one.code for one in found)}", remedy="Give the code."
        )
    return found[0]
