"""Edits of the log as people make them: one transaction, written into the journal, and taken back whole."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from shared.catalogue.assignments import Change, SetNames, SetValue
from shared.catalogue.beside_edits import restore_channels
from shared.catalogue.chunks import in_chunks
from shared.catalogue.findings import restore_findings
from shared.catalogue.journal import CHANNELS, CLIP, FINDING, MOMENT, Values, read_values, record
from shared.catalogue.log import apply_changes
from shared.catalogue.moments import restore_moments
from shared.catalogue.named_rows import NAMED
from shared.catalogue.outline_kinds import OUTLINE_KINDS
from shared.catalogue.plan_kinds import PLAN_KINDS
from shared.catalogue.productions import set_day
from shared.catalogue.releases import RELEASE
from shared.catalogue.rows import RowsEdit, kinds_by_name, restore_rows
from shared.catalogue.set_values import set_values
from shared.catalogue.transcript_rows import TRANSCRIPT_KINDS
from shared.errors import ConflictError, NotFoundError
from shared.models import ChangeSet, Clip, Production
from shared.vocabulary import Vocabulary

_BESIDE = ("lens_assumed", "day_by_hand")  # kept beside a field, not edited by themselves
_MOVING = {"camera", "day"}
_TOLD = 5  # clips that an error names
_READ = 50
_ROWS = kinds_by_name((*PLAN_KINDS, RELEASE, *TRANSCRIPT_KINDS, *NAMED.values(), *OUTLINE_KINDS))


def edit_clips(
    session: Session,
    production: Production,
    clip_ids: Iterable[int],
    changes: Sequence[Change],
    vocabulary: Vocabulary,
    by: str,
    summary: str = "",
) -> tuple[int, ChangeSet | None]:
    """Carry out the same changes on each clip and write them down.

    Returns how many clips were named, and the journal's entry, which is None where nothing changed. Raises
    as `apply_changes`; nothing is changed then if the caller rolls back.
    """
    ids = sorted(set(clip_ids))
    _hold(session, ids)
    fields = [change.field for change in changes]
    before = read_values(session, ids, fields)
    count = apply_changes(session, production, ids, changes, vocabulary, by)
    after = read_values(session, ids, fields)
    return count, record(session, production, by, summary or _say(changes), CLIP, before, after)


def find_edit(session: Session, production: Production, by: str | None, number: int | None) -> ChangeSet:
    """The edit meant: by its number, else the last of this author that still stands.

    An edit that was taken back and then brought back stands again; to take it back once more, the bringing
    back is what is undone. Raises NotFoundError, ConflictError for one that does not stand.
    """
    if number is not None:
        found = session.get(ChangeSet, number)
        if found is None or found.production_id != production.id:
            raise NotFoundError(
                f"{production.name} has no edit {number}", remedy="List them with `rushlight changes`."
            )
        last, stands = _last_word(session, found)
        if not stands:
            raise ConflictError(
                f"edit {number} was taken back by edit {last.id}",
                remedy=f"To have it again, take that one back: `rushlight undo {last.id}`.",
            )
        return last
    own = (
        select(ChangeSet)
        .where(
            ChangeSet.production_id == production.id, ChangeSet.author == by, ChangeSet.undoes_id.is_(None)
        )
        .order_by(ChangeSet.id.desc())
    )
    before = None
    # Some at a time: the one that is meant is mostly the first.
    while edits := session.scalars(
        (own if before is None else own.where(ChangeSet.id < before)).limit(_READ)
    ).all():
        for edit in edits:
            last, stands = _last_word(session, edit)
            if stands:
                return last
        before = edits[-1].id
    raise NotFoundError(
        f"there is no edit of {by or 'yours'} to take back",
        remedy="List all edits with `rushlight changes`, and name one: `rushlight undo NUMBER`.",
    )


def _last_word(session: Session, edit: ChangeSet) -> tuple[ChangeSet, bool]:
    """The end of the chain of an edit, its undo, the undo of that …, and whether the edit stands."""
    stands = True
    while (later := session.scalar(select(ChangeSet).where(ChangeSet.undoes_id == edit.id))) is not None:
        edit, stands = later, not stands
    return edit, stands


def undo(
    session: Session, production: Production, edit: ChangeSet, vocabulary: Vocabulary, by: str
) -> ChangeSet:
    """Take an edit back, whole. Raises ConflictError, naming clip and field, when something it changed was
    changed again since."""
    clips = [change for change in edit.changes if change.kind == CLIP]
    moments = [change for change in edit.changes if change.kind == MOMENT]
    findings = [change for change in edit.changes if change.kind == FINDING]
    summary = f"undo {edit.id}: {edit.summary}"
    ids = [change.subject_id for change in clips]
    fields = list({field for change in clips for field in change.after or {} if field not in _BESIDE})
    _hold(session, ids)
    standing = read_values(session, ids, fields)
    _check_untouched(session, edit, {c.subject_id: c.after or {} for c in clips}, standing)
    _restore_clips(session, production, {c.subject_id: c.before or {} for c in clips}, vocabulary, by)
    done = record(
        session, production, by, summary, CLIP, standing, read_values(session, ids, fields), undoes=edit
    )
    rows = RowsEdit(session, production, by, summary)
    # An answer goes before the moment that it is, and comes back after it.
    restore_rows(rows, _ROWS, edit, leaves=True)
    if moments:
        done = restore_moments(session, production, edit, moments, vocabulary, by, summary, done)
    if findings:
        done = restore_findings(session, production, edit, findings, by, summary, done)
    channels = [change for change in edit.changes if change.kind == CHANNELS]
    if channels:
        had, have = restore_channels(session, production, edit, channels, vocabulary)
        done = record(session, production, by, summary, CHANNELS, had, have, undoes=edit, into=done)
    restore_rows(rows, _ROWS, edit, leaves=False)
    done = rows.close(undoes=edit, into=done)
    if done is None:
        raise ConflictError(f"edit {edit.id} has nothing left to take back", remedy="Choose another one.")
    return done


def _hold(session: Session, ids: Sequence[int]) -> None:
    """Keep other writers off these clips until the transaction ends (SQLite has one writer anyway)."""
    for chunk in in_chunks(ids):
        session.execute(select(Clip.id).where(Clip.id.in_(chunk)).order_by(Clip.id).with_for_update()).all()


def _check_untouched(
    session: Session, edit: ChangeSet, left: dict[int, Values], standing: dict[int, Values]
) -> None:
    moved = {
        key: [field for field in values if standing.get(key, {}).get(field) != values[field]]
        for key, values in left.items()
    }
    touched = {key: fields for key, fields in moved.items() if fields}
    if not touched:
        return
    names = dict(session.execute(select(Clip.id, Clip.name).where(Clip.id.in_(list(touched)[:_TOLD]))).all())
    said = "; ".join(f"{names[key]} ({', '.join(touched[key])})" for key in names)
    more = f" and {len(touched) - len(names)} more" if len(touched) > len(names) else ""
    raise ConflictError(
        f"edit {edit.id} can't be taken back: {said}{more} changed since",
        remedy="Take the later edits back first (`rushlight changes` lists them), or log the clips anew.",
    )


def _restore_clips(
    session: Session,
    production: Production,
    wanted: dict[int, Values],
    vocabulary: Vocabulary,
    by: str,
) -> None:
    """Give clips their values back. Another camera or day moves more than the value itself, and goes the way
    of an edit; those that get the same ones go together."""
    plain = {key: values for key, values in wanted.items() if not _MOVING & values.keys()}
    if plain:
        own = {
            key: {field: value for field, value in values.items() if field not in _BESIDE}
            for key, values in plain.items()
        }
        set_values(session, production, own, vocabulary, by)
        _mark_assumed(session, [key for key, values in plain.items() if values.get("lens_assumed")])
    groups: dict[str, list[int]] = defaultdict(list)
    for key, values in wanted.items():
        if key not in plain:
            groups[json.dumps(values, sort_keys=True)].append(key)
    for text, ids in groups.items():
        values = json.loads(text)
        changes = [
            _change_back(session, production, field, values) for field in values if field not in _BESIDE
        ]
        apply_changes(session, production, ids, changes, vocabulary, by)
        if values.get("lens_assumed"):
            _mark_assumed(session, ids)


def _mark_assumed(session: Session, ids: Sequence[int]) -> None:
    for chunk in in_chunks(ids):
        session.execute(update(Clip).where(Clip.id.in_(chunk)).values(lens_assumed=True))


def _change_back(session: Session, production: Production, field: str, values: dict[str, Any]) -> Change:
    value = values[field]
    if field in ("tag", "person"):
        return SetNames(field, tuple(value))
    if field == "day":
        if value is None or not values.get("day_by_hand", True):
            return SetValue("day", None)  # the day of its time
        day = set_day(session, production, date=dt.date.fromisoformat(value))
        return SetValue("day", str(day.number))
    return SetValue(field, value or None)


def _say(changes: Sequence[Change]) -> str:
    """An edit in short, as it could be typed."""
    said = []
    for change in changes:
        if isinstance(change, SetValue):
            said.append(f"{change.field}={change.value or ''}")
        else:
            sign = {"SetNames": "=", "AddNames": "+=", "RemoveNames": "-="}[type(change).__name__]
            said.append(f"{change.field}{sign}{', '.join(change.names)}")
    return " ".join(said)
