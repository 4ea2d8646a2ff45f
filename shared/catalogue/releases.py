"""Releases as people write them, kept through the journal. Never a legal judgement."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload, selectinload

from shared.catalogue.assignments import SetNames
from shared.catalogue.journal import Values
from shared.catalogue.log import find_one_clip, name_ids
from shared.catalogue.plan_values import read_names
from shared.catalogue.release_standing import OF_PEOPLE
from shared.catalogue.rows import RowKind, RowsEdit
from shared.errors import NotFoundError, UsageError
from shared.models import Clip, Person, Production, Release, ReleaseKind
from shared.words import find_unusable, show_short

RELEASE_FIELDS = (
    *("kind", "who", "guardian", "signed", "media", "territory", "until", "cut_downs", "no_name"),
    *("hide_face", "restrictions", "withdrawn", "form", "language", "note", "clips"),
)  # fmt: skip
_TEXTS = ("guardian", "media", "territory", "restrictions", "form", "language", "note")
_FILE = ("file_name", "file_hash", "file_bytes")
_DATES = {"signed": "signed_on", "until": "until", "withdrawn": "withdrawn_on"}
_FLAGS = ("no_name", "hide_face")
_YES, _NO = ("yes", "y", "true", "1"), ("no", "n", "false", "0")
_LONGEST = 5000


def list_releases(session: Session, production: Production) -> list[Release]:
    """In the order in which they were made."""
    rows = select(Release).where(Release.production_id == production.id).order_by(Release.id)
    return list(session.scalars(rows.options(joinedload(Release.person), selectinload(Release.clips))))


def find_release(session: Session, production: Production, number: int) -> Release:
    """Raises NotFoundError."""
    found = session.get(Release, number)
    if found is None or found.production_id != production.id:
        raise NotFoundError(
            f"{production.name} has no release {number}", remedy="List them with `rushlight release`."
        )
    return found


# -- what people write ------------------------------------------------------------------------------


def release_values(
    session: Session,
    production: Production,
    given: Mapping[str, str],
    release: Release | None = None,
) -> Values:
    """What was typed as values of a release; an empty text takes a value away.

    Raises UsageError, and NotFoundError for a clip that is not there.
    """
    values: Values = {}
    for name, text in given.items():
        if find_unusable(text) is not None or len(text) > _LONGEST:
            raise UsageError(f"{name} is too long or holds a control character", remedy="Shorten it.")
        text = text.strip()
        if name == "kind":
            values["kind"] = _kind(text)
        elif name in _DATES:
            values[_DATES[name]] = _date(name, text) if text else None
        elif name in _FLAGS:
            values[name] = bool(text) and _yes(name, text)
        elif name == "cut_downs":
            values[name] = _yes(name, text) if text else None
        elif name == "clips":
            values[name] = sorted({find_one_clip(session, production, one).id for one in read_names(text)})
        elif name != "who":
            values[name] = text
    kind = ReleaseKind(values.get("kind", release.kind if release is not None else ReleaseKind.PERSON))
    if release is None:
        values["kind"] = kind.value
        if not given.get("who", "").strip():
            raise UsageError("a release is somebody's or something's", remedy='Write who="Ada Wren".')
    if "who" in given:
        who = " ".join(given["who"].split())
        if not who or len(who) > 200:
            raise UsageError("a release needs a name", remedy='Write who="Ada Wren", 200 characters at most.')
        values |= {"person": who, "name": ""} if kind in OF_PEOPLE else {"person": None, "name": who}
    elif release is not None and "kind" in values and (release.kind in OF_PEOPLE) != (kind in OF_PEOPLE):
        raise UsageError(f"a release of a {kind.value} names another", remedy="Give who=… as well.")
    return values


def _kind(text: str) -> str:
    kinds = [member.value for member in ReleaseKind]
    if text.lower() not in kinds:
        raise UsageError(f"there is no release of {show_short(text)}", remedy=f"Write: {', '.join(kinds)}.")
    return text.lower()


def _date(name: str, text: str) -> str:
    try:
        return dt.date.fromisoformat(text).isoformat()
    except ValueError:
        raise UsageError(f"{name}: {show_short(text)} is no date", remedy="Write it as 2026-05-12.") from None


def _yes(name: str, text: str) -> bool:
    if text.lower() in _YES:
        return True
    if text.lower() in _NO:
        return False
    raise UsageError(f"{name} is yes or no, not {show_short(text)}", remedy=f"Write {name}=yes.")


def put_release(edit: RowsEdit, release: Release | None, values: Mapping[str, Any]) -> Release:
    made = edit.put(RELEASE, release.id if release is not None else None, values)
    assert isinstance(made, Release)
    return made


# -- as the journal has it --------------------------------------------------------------------------


def _read(_session: Session, release: Release) -> Values:
    return {
        "kind": release.kind.value,
        "person": release.person.name if release.person is not None else None,
        **{name: getattr(release, name) for name in ("name", *_TEXTS, *_FLAGS, *_FILE, "cut_downs")},
        **{
            name: value.isoformat() if (value := getattr(release, name)) is not None else None
            for name in _DATES.values()
        },
        "clips": [clip.id for clip in release.clips],
    }


def _fill(session: Session, production: Production, release: Release, values: Mapping[str, Any]) -> None:
    for name, value in values.items():
        if name == "kind":
            release.kind = ReleaseKind(value)
        elif name in _DATES.values():
            setattr(release, name, dt.date.fromisoformat(value) if value is not None else None)
        elif name == "person":
            ids = name_ids(session, production, SetNames("person", (value,))) if value is not None else []
            release.person = session.get_one(Person, ids[0]) if ids else None
        elif name == "clips":
            found = (session.get(Clip, key) for key in value)
            release.clips = [clip for clip in found if clip is not None]
        else:
            setattr(release, name, value)


RELEASE = RowKind("release", 1, "release", Release, _read, _fill)
