"""What exists in one production (days, cameras, lenses, reels, people, tags, finding codes) by name."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session

from shared.errors import UsageError
from shared.models import (
    Camera,
    Clip,
    File,
    Finding,
    Lens,
    Person,
    Production,
    Reel,
    ShootingDay,
    Tag,
    WantedShot,
)
from shared.words import fold_name, show_short

Rows = Select[*tuple[Any, ...]]

_MOST_LISTED = 40
_PLURALS = {
    "day": "days",
    "camera": "cameras",
    "lens": "lenses",
    "reel": "reels",
    "person": "people",
    "tag": "tags",
    "finding": "findings",
    "wish": "wanted shots",
}
# Fields whose names may be given in part: "Ada" for "Ada Wren".
_IN_PART = frozenset({"camera", "lens", "person", "wish"})


@dataclass(frozen=True, slots=True)
class Known:
    """One row that a person can name. `id` is its key (for a finding, which has no row, 0)."""

    id: int
    names: tuple[str, ...]  # the first is the one used in queries
    date: dt.date | None = None  # of a day

    def __str__(self) -> str:
        extra = self.names[1] if len(self.names) > 1 and self.names[1] else ""
        return f"{self.names[0]} ({extra})" if extra else self.names[0]


def list_known(session: Session, production: Production, field: str) -> list[Known]:
    """Everything that `field` can name in this production, in the order people expect."""
    statement, make = _SOURCES[field]
    return [make(*row) for row in session.execute(statement(production.id))]


def pick_known(known: Sequence[Known], field: str, text: str) -> list[Known]:
    """Those that answer to `text`, whatever its case and accents. Raises UsageError, listing what
    exists, when none does. Lenses, people and cameras answer to some of their words, if nobody has
    exactly this name.
    """
    key = fold_name(text.strip())
    whole = [one for one in known if any(name and fold_name(name) == key for name in one.names)]
    if whole:
        return whole
    wanted = set(key.split())
    if field in _IN_PART and wanted:
        parts = [one for one in known if any(wanted <= set(fold_name(name).split()) for name in one.names)]
        if parts:
            return parts
    raise _unknown(known, field, text)


def pick_one(known: Sequence[Known], field: str, text: str) -> Known:
    """The only one that answers to `text`. Raises UsageError when there is none or several."""
    found = pick_known(known, field, text)
    if len(found) > 1:
        raise UsageError(
            f"{field} {show_short(text)} could be: {', '.join(map(str, found[:_MOST_LISTED]))}",
            remedy="Write the whole name.",
        )
    return found[0]


def _unknown(known: Sequence[Known], field: str, text: str) -> UsageError:
    plural = _PLURALS[field]
    if not known:
        return UsageError(
            f"there is no {field} {show_short(text)}; this production has no {plural} yet",
            remedy=f"Leave {field}: out.",
        )
    listed = ", ".join(map(str, known[:_MOST_LISTED]))
    more = f" and {len(known) - _MOST_LISTED} more" if len(known) > _MOST_LISTED else ""
    by_key = {fold_name(name): one for one in known for name in one.names if name}
    near = difflib.get_close_matches(fold_name(text)[:60], by_key, n=3)
    suggested = dict.fromkeys(str(by_key[key]) for key in near)
    return UsageError(
        f"there is no {field} {show_short(text)}; the {plural} are: {listed}{more}",
        remedy=f"Did you mean {' or '.join(suggested)}?" if suggested else "Choose one of these.",
    )


# -- where each field's names come from -------------------------------------------------------------


def _days(production_id: int) -> Rows:
    columns = select(ShootingDay.id, ShootingDay.number, ShootingDay.date)
    return columns.where(ShootingDay.production_id == production_id).order_by(ShootingDay.number)


def _cameras(production_id: int) -> Rows:
    columns = select(Camera.id, Camera.letter, Camera.name)
    return columns.where(Camera.production_id == production_id).order_by(Camera.letter)


def _lenses(production_id: int) -> Rows:
    return select(Lens.id, Lens.name).where(Lens.production_id == production_id).order_by(Lens.name)


def _reels(production_id: int) -> Rows:
    return select(Reel.id, Reel.name).where(Reel.production_id == production_id).order_by(Reel.name)


def _people(production_id: int) -> Rows:
    return select(Person.id, Person.name).where(Person.production_id == production_id).order_by(Person.name)


def _tags(production_id: int) -> Rows:
    return select(Tag.id, Tag.name).where(Tag.production_id == production_id).order_by(Tag.name)


def _findings(production_id: int) -> Rows:
    codes = (
        select(Finding.code)
        .outerjoin(Clip, Clip.id == Finding.clip_id)
        .outerjoin(File, File.id == Finding.file_id)
        .outerjoin(Reel, Reel.id == File.reel_id)
        .where(or_(Clip.production_id == production_id, Reel.production_id == production_id))
    )
    return codes.distinct().order_by(Finding.code)


def _wishes(production_id: int) -> Rows:
    columns = select(WantedShot.id, WantedShot.code, WantedShot.what)
    return columns.where(WantedShot.production_id == production_id).order_by(
        WantedShot.position, WantedShot.id
    )


def _named(key: int, *names: str) -> Known:
    return Known(key, names)


def _dated(key: int, number: int, date: dt.date) -> Known:
    return Known(key, (str(number), date.isoformat()), date)


def _coded(code: str) -> Known:
    return Known(0, (code,))


_SOURCES: Mapping[str, tuple[Callable[[int], Rows], Callable[..., Known]]] = MappingProxyType(
    {
        "day": (_days, _dated),
        "camera": (_cameras, _named),
        "lens": (_lenses, _named),
        "reel": (_reels, _named),
        "person": (_people, _named),
        "tag": (_tags, _named),
        "finding": (_findings, _coded),
        "wish": (_wishes, _named),
    }
)
