"""The journal of edits: who changed what, when, from what to what, and how it is taken back.

A snapshot holds names, not row ids, so that it says something to people and outlives the rows: a shooting
day that an edit emptied is made again by its date when the edit is undone.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Table, insert, select
from sqlalchemy.orm import Session

from shared.catalogue.assignments import CLIP_FIELDS
from shared.catalogue.chunks import in_chunks
from shared.models import (
    Camera,
    Change,
    ChangeSet,
    Clip,
    Lens,
    LogEntry,
    Person,
    Production,
    ShootingDay,
    Tag,
    entry_person,
    entry_tag,
)
from shared.query_fields import TERM_FIELDS, TEXT_FIELDS

CLIP, MOMENT, CHANNELS, FINDING = "clip", "moment", "channels", "finding"
_AUTHOR, _SUMMARY = 200, 2000  # characters
_COLUMNS = (*TERM_FIELDS, *TEXT_FIELDS)
_LINKS: dict[str, tuple[Table, type[Tag] | type[Person]]] = {
    "tag": (entry_tag, Tag),
    "person": (entry_person, Person),
}

Values = dict[str, Any]


def read_values(session: Session, clip_ids: Iterable[int], fields: Iterable[str]) -> dict[int, Values]:
    """These fields of the clips, as a snapshot. `fields` are those that `rushlight log` knows."""
    wanted = list(dict.fromkeys(fields))
    found: dict[int, Values] = {}
    for chunk in in_chunks(clip_ids):
        found.update({key: {} for key in chunk})
        if any(field in CLIP_FIELDS for field in wanted):
            _read_clips(session, chunk, wanted, found)
        _read_entries(session, chunk, wanted, found)
    return found


def moment_log(entry: LogEntry | None) -> Values:
    """Everything a moment's entry says, without what is empty."""
    if entry is None:
        return {}
    values: Values = {field: value for field in _COLUMNS if (value := getattr(entry, field))}
    if entry.tags:
        values["tag"] = [tag.name for tag in entry.tags]
    if entry.people:
        values["person"] = [person.name for person in entry.people]
    return values


def _read_clips(session: Session, ids: Sequence[int], fields: Sequence[str], into: dict[int, Values]) -> None:
    rows = session.execute(
        select(Clip.id, Camera.letter, Lens.name, Clip.lens_assumed, ShootingDay.date, Clip.day_by_hand)
        .outerjoin(Camera, Camera.id == Clip.camera_id)
        .outerjoin(Lens, Lens.id == Clip.lens_id)
        .outerjoin(ShootingDay, ShootingDay.id == Clip.day_id)
        .where(Clip.id.in_(ids))
    )
    for key, camera, lens, assumed, date, by_hand in rows:
        values = into[key]
        if "camera" in fields:
            values["camera"] = camera
        if "lens" in fields:
            values.update(lens=lens, lens_assumed=assumed)
        if "day" in fields:
            values.update(day=date.isoformat() if date is not None else None, day_by_hand=by_hand)


def _read_entries(
    session: Session, ids: Sequence[int], fields: Sequence[str], into: dict[int, Values]
) -> None:
    columns = [field for field in fields if field in _COLUMNS]
    for key in ids:
        into[key].update({field: "" if field in TEXT_FIELDS else None for field in columns})
        into[key].update({field: [] for field in fields if field in _LINKS})
    if columns:
        rows = session.execute(
            select(LogEntry.clip_id, *(getattr(LogEntry, field) for field in columns)).where(
                LogEntry.clip_id.in_(ids)
            )
        )
        for row in rows:
            if row[0] is not None:
                into[row[0]].update(zip(columns, row[1:], strict=True))
    for field, (link, model) in _LINKS.items():
        if field not in fields:
            continue
        named = session.execute(
            select(LogEntry.clip_id, model.name)
            .join(link, link.c.entry_id == LogEntry.id)
            .join(model, model.id == link.c[f"{field}_id"])
            .where(LogEntry.clip_id.in_(ids))
            .order_by(model.name)
        )
        for clip_id, name in named:
            if clip_id is not None:
                into[clip_id][field].append(name)


def record(
    session: Session,
    production: Production,
    by: str,
    summary: str,
    kind: str,
    before: Mapping[int, Values | None],
    after: Mapping[int, Values | None],
    undoes: ChangeSet | None = None,
    into: ChangeSet | None = None,
) -> ChangeSet | None:
    """Write one edit down, in the caller's transaction; nothing where nothing differs.

    `into`: the edit that these changes are a part of, written down already; it is returned.
    """
    rows: list[dict[str, Any]] = []
    for key in sorted(before.keys() | after.keys()):
        old, new = before.get(key), after.get(key)
        if old == new:
            continue
        if old is not None and new is not None:
            differing = [field for field in new if old.get(field) != new[field]]
            old, new = {f: old.get(f) for f in differing}, {f: new[f] for f in differing}
        rows.append({"kind": kind, "subject_id": key, "before": old, "after": new})
    if not rows:
        return into
    edit = into or ChangeSet(
        production_id=production.id,
        author=by[:_AUTHOR],
        summary=summary[:_SUMMARY],
        undoes_id=undoes.id if undoes is not None else None,
    )
    session.add(edit)
    session.flush()
    session.execute(insert(Change), [{"set_id": edit.id, **row} for row in rows])
    session.expire(edit, ["changes"])
    return edit
