"""Writing the log: changes to the clips of one production, many at a time."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence

from sqlalchemy import Table, Update, delete, insert, select, update
from sqlalchemy.orm import Session

from shared.catalogue.assignments import (
    CLIP_FIELDS,
    AddNames,
    Change,
    RemoveNames,
    SetNames,
    SetValue,
    parse_assignments,
)
from shared.catalogue.chunks import in_chunks
from shared.catalogue.lenses import assume_lenses
from shared.catalogue.lookup import list_known, pick_one
from shared.catalogue.naming import find_one_clip
from shared.catalogue.terms import production_vocabulary
from shared.catalogue.text import refresh_text
from shared.catalogue.times import derive_days, derive_times
from shared.errors import NotFoundError
from shared.models import (
    Clip,
    LogEntry,
    Person,
    Production,
    Tag,
    entry_person,
    entry_tag,
    now,
)
from shared.query_fields import TEXT_FIELDS
from shared.vocabulary import Vocabulary

__all__ = ["apply_changes", "find_one_clip", "parse_assignments", "production_vocabulary"]

_LONGEST_BY = 100
_LINKS: dict[str, tuple[Table, str, type[Tag] | type[Person]]] = {
    "tag": (entry_tag, "tag_id", Tag),
    "person": (entry_person, "person_id", Person),
}


def apply_changes(
    session: Session,
    production: Production,
    clip_ids: Iterable[int],
    changes: Sequence[Change],
    vocabulary: Vocabulary,
    by: str,
) -> int:
    """Carry out the same changes on each clip, in the caller's transaction; return how many clips.

    Tags and people that do not exist yet are made. Every entry touched counts one version further,
    and the clips' words are written anew. A clip nobody has logged gets an entry only if there is
    something to say. Raises NotFoundError for a clip that is not of this production, UsageError for
    a camera, lens or day that does not exist; nothing is changed then if the caller rolls back.
    A day given here is kept when clocks are corrected; taking it away puts the clip on the day of its time,
    and another camera has another clock and another usual lens. A lens taken away leaves what the file or the
    kit list says.
    """
    ids = sorted(set(clip_ids))
    _check_clips(session, production, ids)
    own = _own_columns(session, production, changes)
    values = _entry_columns(changes, vocabulary)
    links = [
        (change, name_ids(session, production, change))
        for change in changes
        if not isinstance(change, SetValue)
    ]
    says = any(values.values()) or any(
        named and not isinstance(change, RemoveNames) for change, named in links
    )
    stamp = {"version": LogEntry.version + 1, "updated_at": now(), "updated_by": by[:_LONGEST_BY]}
    for chunk in in_chunks(ids):
        if own:
            _update(session, update(Clip).where(Clip.id.in_(chunk)).values(own))
        if says:
            _make_entries(session, chunk)
        _update(session, update(LogEntry).where(LogEntry.clip_id.in_(chunk)).values(values | stamp))
        for change, named in links:
            _change_links(session, chunk, change, named)
    _forget(session, set(ids), [*own, *CLIP_FIELDS], [*values, *stamp, "tags", "people"])
    if "lens_assumed" in own and own["lens_id"] is None:
        assume_lenses(session, ids, forget=True)
    elif "camera_id" in own:
        assume_lenses(session, ids)
    if "camera_id" in own:
        derive_times(session, production, ids)
    elif own.get("day_by_hand") is False:
        derive_days(session, production, ids)
    refresh_text(session, ids, vocabulary)
    return len(ids)


def _check_clips(session: Session, production: Production, ids: Sequence[int]) -> None:
    for chunk in in_chunks(ids):
        found = set(
            session.scalars(select(Clip.id).where(Clip.id.in_(chunk), Clip.production_id == production.id))
        )
        if missing := [key for key in chunk if key not in found]:
            raise NotFoundError(
                f"{production.name} has no clip {', '.join(f'#{key}' for key in missing[:10])}",
                remedy="List its clips and use their numbers.",
            )


def _own_columns(
    session: Session, production: Production, changes: Sequence[Change]
) -> dict[str, int | None]:
    """The clip's own columns that change: camera, lens and day must exist."""
    columns: dict[str, int | None] = {}
    for change in changes:
        if not isinstance(change, SetValue) or change.field not in CLIP_FIELDS:
            continue
        columns[f"{change.field}_id"] = None
        if change.field == "day":
            columns["day_by_hand"] = change.value is not None
        if change.field == "lens":
            columns["lens_assumed"] = False  # a person says so
        if change.value is not None:
            known = list_known(session, production, change.field)
            columns[f"{change.field}_id"] = pick_one(known, change.field, change.value).id
    return columns


def _entry_columns(changes: Sequence[Change], vocabulary: Vocabulary) -> dict[str, str | None]:
    """The entry's columns that change: codes, none when taken away, and texts, which may be empty."""
    columns: dict[str, str | None] = {}
    for change in changes:
        if not isinstance(change, SetValue) or change.field in CLIP_FIELDS:
            continue
        if change.field in TEXT_FIELDS:
            columns[change.field] = change.value or ""
        else:
            columns[change.field] = change.value and vocabulary.resolve(change.field, change.value).code
    return columns


def _make_entries(session: Session, clip_ids: Sequence[int]) -> None:
    """Entries for the clips that have none, at version 0: the change that follows makes it 1."""
    present = set(session.scalars(select(LogEntry.clip_id).where(LogEntry.clip_id.in_(clip_ids))))
    if new := [{"clip_id": key, "version": 0} for key in clip_ids if key not in present]:
        session.execute(insert(LogEntry), new)


# -- tags and people -------------------------------------------------------------------------------


def name_ids(
    session: Session, production: Production, change: SetNames | AddNames | RemoveNames
) -> list[int]:
    known = list_known(session, production, change.field)
    if isinstance(change, RemoveNames):
        return [pick_one(known, change.field, name).id for name in change.names]
    ids = {same_name(one.names[0]): one.id for one in known}
    model = _LINKS[change.field][2]
    for name in change.names:
        if same_name(name) not in ids:
            row = model(production_id=production.id, name=name)
            session.add(row)
            session.flush()
            ids[same_name(name)] = row.id
    return [ids[same_name(name)] for name in change.names]


def same_name(name: str) -> str:
    """Names that differ in case alone are one; accents tell people apart."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _change_links(session: Session, clip_ids: Sequence[int], change: Change, ids: Sequence[int]) -> None:
    link, key, model = _LINKS[change.field]
    entries = select(LogEntry.id).where(LogEntry.clip_id.in_(clip_ids))
    if not isinstance(change, AddNames):
        others = link.c[key].not_in(ids) if isinstance(change, SetNames) else link.c[key].in_(ids)
        session.execute(delete(link).where(link.c.entry_id.in_(entries), others))
    if isinstance(change, RemoveNames):
        return
    there = select(link.c.entry_id).where(link.c.entry_id == LogEntry.id, link.c[key] == model.id)
    missing = (
        select(LogEntry.id, model.id)
        .join(model, model.id.in_(ids))
        .where(LogEntry.clip_id.in_(clip_ids), ~there.exists())
    )
    session.execute(insert(link).from_select(["entry_id", key], missing))


def _update(session: Session, statement: Update) -> None:
    session.execute(statement, execution_options={"synchronize_session": False})  # see _forget


def _forget(session: Session, clip_ids: set[int], of_clip: Sequence[str], of_entry: Sequence[str]) -> None:
    """What the session already holds reads again what these statements changed behind it."""
    for row in list(session.identity_map.values()):
        if isinstance(row, LogEntry) and row.clip_id in clip_ids:
            session.expire(row, of_entry)
        elif isinstance(row, Clip) and row.id in clip_ids:
            session.expire(row, of_clip)
