"""Rows that people edit one by one, beside the log: one edit is one entry of the journal, undone as a whole.

A snapshot holds names, not row ids, so that it says something to people and outlives the rows it names.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.journal import Values, record
from shared.errors import ConflictError
from shared.models import Base, ChangeSet, Production, now
from shared.models import Change as Written

_LONGEST_BY = 100


@dataclass(frozen=True, slots=True)
class RowKind:
    """How rows of one table are read as a snapshot, and filled from one.

    `rank`: rows of a lower rank are made before, and removed after, those of a higher one that point at it.
    `words`: what people call one. `held_by`: what still points at the row and keeps it; None: nothing.
    `leaf`: nothing ever points at one. `empty`: takes away what is a part of a row, before the row goes.
    `settle`: called once an edit, with every snapshot before and after it, for what follows from the rows.
    """

    name: str
    rank: int
    words: str
    model: type[Any]
    read: Callable[[Session, Any], Values]
    fill: Callable[[Session, Production, Any, Mapping[str, Any]], None]
    held_by: Callable[[Session, Any], str | None] = lambda _session, _row: None
    leaf: bool = False
    empty: Callable[[Session, Any], None] = lambda _session, _row: None
    settle: Callable[[Session, Production, Collection[Values]], None] = lambda _session, _of, _values: None


class RowsEdit:
    """One edit by one person, in the caller's transaction; `close` writes it down."""

    def __init__(self, session: Session, production: Production, by: str, summary: str) -> None:
        self.session, self.production, self.by, self.summary = session, production, by, summary
        self._before: dict[str, dict[int, Values | None]] = defaultdict(dict)
        self._after: dict[str, dict[int, Values | None]] = defaultdict(dict)
        self._kinds: dict[str, RowKind] = {}

    def put(self, kind: RowKind, key: int | None, values: Mapping[str, Any]) -> Any:
        """Make or change a row; what `values` does not name stays. Raises what `kind.fill` raises."""
        row = self.session.get(kind.model, key) if key is not None else None
        before = None if row is None else kind.read(self.session, row)
        if row is None:
            row = kind.model(production_id=self.production.id) if _has_production(kind) else kind.model()
            row.id = key if key is not None else self._unused_id(kind)
        elif all(before is not None and before.get(name) == value for name, value in values.items()):
            return row
        kind.fill(self.session, self.production, row, values)
        if hasattr(row, "updated_at"):
            row.updated_at, row.updated_by = now(), self.by[:_LONGEST_BY]
        self.session.add(row)
        self.session.flush()
        self._note(kind, row.id, before, kind.read(self.session, row))
        return row

    def _unused_id(self, kind: RowKind) -> int | None:
        """An id that no row had before. SQLite gives the highest one again once its row is gone, and the
        journal would then mean two rows by it; None: the database never does so."""
        if self.session.get_bind().dialect.name != "sqlite":
            return None
        written = select(func.max(Written.subject_id)).where(Written.kind == kind.name)
        there = self.session.scalar(select(func.max(kind.model.id))) or 0
        return max(self.session.scalar(written) or 0, there, *self._after.get(kind.name, ())) + 1

    def remove(self, kind: RowKind, row: Any) -> None:
        """Take a row away. Raises ConflictError while something points at it."""
        if (holder := kind.held_by(self.session, row)) is not None:
            raise ConflictError(
                f"{kind.words} {_label(kind.read(self.session, row)) or row.id} can't go: {holder}",
                remedy="Take that away first; `rushlight changes` lists the edits.",
            )
        key, before = row.id, kind.read(self.session, row)
        kind.empty(self.session, row)
        self.session.delete(row)
        self.session.flush()
        self._note(kind, key, before, None)

    def _note(self, kind: RowKind, key: int, before: Values | None, after: Values | None) -> None:
        self._kinds[kind.name] = kind
        self._before[kind.name].setdefault(key, before)
        self._after[kind.name][key] = after

    def close(self, *, undoes: ChangeSet | None = None, into: ChangeSet | None = None) -> ChangeSet | None:
        """Write it down; None where nothing changed. `into`: the edit that this is a part of."""
        edit = into
        for name in list(self._after):
            snapshots = (*self._before[name].values(), *self._after[name].values())
            self._kinds[name].settle(
                self.session, self.production, [one for one in snapshots if one is not None]
            )
            edit = record(
                self.session,
                self.production,
                self.by,
                self.summary,
                name,
                self._before.pop(name),
                self._after.pop(name),
                undoes=undoes,
                into=edit,
            )
        return edit


def _has_production(kind: RowKind) -> bool:
    return issubclass(kind.model, Base) and "production_id" in kind.model.__table__.columns


def restore_rows(edit: RowsEdit, kinds: Mapping[str, RowKind], undone: ChangeSet, *, leaves: bool) -> None:
    """Give rows back what `undone` changed; with `leaves` only the removals of rows that nothing points at.

    What was removed comes back first, what points at it after it; then changes; what had been made goes last.
    Raises ConflictError when one was changed since, or when what it names is gone.
    """
    changes = [change for change in undone.changes if change.kind in kinds]
    if leaves:
        changes = [one for one in changes if one.before is None and kinds[one.kind].leaf]
    else:
        changes = [one for one in changes if one.before is not None or not kinds[one.kind].leaf]
    for change in sorted(changes, key=lambda one: _turn(one, kinds[one.kind].rank)):
        _restore(edit, kinds[change.kind], undone, change)


def _turn(change: Written, rank: int) -> tuple[int, int]:
    if change.after is None:
        return 0, rank
    return (1, rank) if change.before is not None else (2, -rank)


def _restore(edit: RowsEdit, kind: RowKind, undone: ChangeSet, change: Written) -> None:
    row = edit.session.get(kind.model, change.subject_id)
    standing = None if row is None else kind.read(edit.session, row)
    left = change.after
    same = (
        standing is None
        if left is None
        else standing is not None and all(standing.get(name) == value for name, value in left.items())
    )
    if not same:
        raise ConflictError(
            f"edit {undone.id} can't be taken back: {kind.words} {_name(change)} changed since",
            remedy="Take the later edits back first (`rushlight changes` lists them).",
        )
    if change.before is None:
        edit.remove(kind, row)
    else:
        edit.put(kind, change.subject_id, change.before)


def _name(change: Written) -> str:
    return _label(change.before or {}) or _label(change.after or {}) or str(change.subject_id)


def _label(values: Values) -> str:
    return next((str(values[field]) for field in ("code", "name", "what") if values.get(field)), "")


def kinds_by_name(kinds: Sequence[RowKind]) -> dict[str, RowKind]:
    return {kind.name: kind for kind in kinds}
