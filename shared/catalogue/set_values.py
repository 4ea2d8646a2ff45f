"""Writing different values on many clips at once, where `log.apply_changes` writes the same on each."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Table, bindparam, delete, insert, select, update
from sqlalchemy.orm import Session

from shared.catalogue.assignments import LIST_FIELDS, SetNames
from shared.catalogue.chunks import in_chunks
from shared.catalogue.journal import Values
from shared.catalogue.lenses import assume_lenses
from shared.catalogue.log import name_ids
from shared.catalogue.lookup import list_known, pick_one
from shared.catalogue.text import refresh_text
from shared.models import Base, Clip, LogEntry, Production, entry_person, entry_tag, now
from shared.vocabulary import Vocabulary

_LONGEST_BY = 100
_LINKS: dict[str, tuple[Table, str]] = {
    "tag": (entry_tag, "tag_id"),
    "person": (entry_person, "person_id"),
}


def set_values(
    session: Session, production: Production, wanted: Mapping[int, Values], vocabulary: Vocabulary, by: str
) -> None:
    """Give each clip its own values, in the caller's transaction: codes, texts, lists of names, a lens' name.

    Entries that are not there are made, each entry counts one version further and the clips' words are
    written anew. The number of statements does not grow with each clip. Raises UsageError for a lens that
    is not there.
    """
    session.flush()
    ids = sorted(wanted)
    said = [key for key in ids if any(field != "lens" for field in wanted[key])]
    _set_lenses(
        session, production, {key: values["lens"] for key, values in wanted.items() if "lens" in values}
    )
    entries = _entry_ids(session, said)
    _set_columns(session, {entries[key]: wanted[key] for key in said}, by)
    for field in LIST_FIELDS:
        names = {entries[key]: wanted[key][field] for key in said if field in wanted[key]}
        _set_names(session, production, field, names)
    session.expire_all()  # what the session holds was written behind it
    refresh_text(session, ids, vocabulary)


def _set_lenses(session: Session, production: Production, lenses: Mapping[int, str | None]) -> None:
    known = list_known(session, production, "lens") if lenses else []
    ids = {name: pick_one(known, "lens", name).id for name in set(lenses.values()) if name is not None}
    rows = [
        {"key": key, "lens": ids[name] if name is not None else None} for key, name in sorted(lenses.items())
    ]
    _update_rows(session, Clip, {"lens_id": bindparam("lens"), "lens_assumed": False}, rows)
    session.expire_all()
    assume_lenses(session, [key for key, name in lenses.items() if name is None], forget=True)


def _entry_ids(session: Session, clip_ids: Sequence[int]) -> dict[int, int]:
    """The entry of each clip; those that are not there are made, at version 0: the change makes it 1."""
    found = _read_entry_ids(session, clip_ids)
    if missing := [key for key in clip_ids if key not in found]:
        session.execute(insert(LogEntry), [{"clip_id": key, "version": 0} for key in missing])
        found |= _read_entry_ids(session, missing)
    return found


def _read_entry_ids(session: Session, clip_ids: Iterable[int]) -> dict[int, int]:
    found: dict[int, int] = {}
    for chunk in in_chunks(clip_ids):
        rows = session.execute(select(LogEntry.clip_id, LogEntry.id).where(LogEntry.clip_id.in_(chunk)))
        found.update((clip_id, key) for clip_id, key in rows if clip_id is not None)
    return found


def _set_columns(session: Session, wanted: Mapping[int, Values], by: str) -> None:
    """Rows that set the same columns go together."""
    groups: dict[tuple[str, ...], list[dict[str, Any]]] = defaultdict(list)
    for key, values in wanted.items():
        columns = {field: value for field, value in values.items() if field not in (*LIST_FIELDS, "lens")}
        groups[tuple(sorted(columns))].append(
            {"key": key} | {f"to_{name}": value for name, value in columns.items()}
        )
    stamp = {"version": LogEntry.version + 1, "updated_at": now(), "updated_by": by[:_LONGEST_BY]}
    for names, rows in groups.items():
        _update_rows(session, LogEntry, stamp | {name: bindparam(f"to_{name}") for name in names}, rows)


def _update_rows(
    session: Session, model: type[Base], values: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]
) -> None:
    table = model.__table__
    assert isinstance(table, Table)
    if rows:
        statement = update(table).where(table.c.id == bindparam("key")).values(dict(values))
        session.connection().execute(statement, rows)


def _set_names(
    session: Session, production: Production, field: str, names: Mapping[int, Sequence[str]]
) -> None:
    """Give each entry exactly these names; tags and people that do not exist yet are made."""
    link, column = _LINKS[field]
    every = tuple(dict.fromkeys(name for listed in names.values() for name in listed))
    ids = dict(zip(every, name_ids(session, production, SetNames(field, every)), strict=True))
    for chunk in in_chunks(names):
        session.execute(delete(link).where(link.c.entry_id.in_(chunk)))
    pairs = {(entry, ids[name]) for entry, listed in names.items() for name in listed}
    if pairs:
        session.execute(insert(link), [{"entry_id": entry, column: key} for entry, key in sorted(pairs)])
