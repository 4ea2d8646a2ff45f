"""Findings as people deal with them: listed, and dismissed with a reason, which the journal keeps."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, or_, select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.chunks import in_chunks
from shared.catalogue.journal import FINDING, Values, record
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import Change, ChangeSet, Clip, ClipFile, File, Finding, Production, Reel
from shared.words import find_unusable

LONGEST_REASON = 2000


@dataclass(frozen=True, slots=True)
class Found:
    """A finding with the clip it belongs to."""

    finding: Finding
    clip: Clip


def findings_in(clip_ids: Sequence[int], *, dismissed: bool = False) -> Select[*tuple[Any, ...]]:
    """(clip, finding) of these clips and of their files; `dismissed`: those that a person put away, too."""
    of_file = select(ClipFile.clip_id, Finding.id).join(Finding, Finding.file_id == ClipFile.file_id)
    of_clip = select(Finding.clip_id, Finding.id).where(Finding.clip_id.in_(clip_ids))
    of_file = of_file.where(ClipFile.clip_id.in_(clip_ids), Finding.clip_id.is_(None))
    if not dismissed:
        of_clip = of_clip.where(Finding.dismissed.is_(None))
        of_file = of_file.where(Finding.dismissed.is_(None))
    both = of_clip.union_all(of_file).subquery()
    return select(both.c[0], both.c[1])


def list_findings(
    session: Session, clip_ids: Iterable[int], *, codes: Sequence[str] = (), dismissed: bool = False
) -> Iterator[Found]:
    """The findings of these clips, clip by clip in the order given, by place within each."""
    for chunk in in_chunks(clip_ids):
        owners = {key: clip_id for clip_id, key in session.execute(findings_in(chunk, dismissed=dismissed))}
        clips = {
            clip.id: clip
            for clip in session.scalars(
                select(Clip).where(Clip.id.in_(set(owners.values()))).options(joinedload(Clip.reel))
            )
        }
        rows = [row for part in in_chunks(owners) for row in _rows(session, part)]
        place = {key: number for number, key in enumerate(chunk)}
        rows.sort(key=lambda row: (place[owners[row.id]], row.in_frame or 0, row.id))
        yield from (Found(row, clips[owners[row.id]]) for row in rows if not codes or row.code in codes)


def _rows(session: Session, ids: Sequence[int]) -> Sequence[Finding]:
    return session.scalars(select(Finding).where(Finding.id.in_(ids)).options(joinedload(Finding.file))).all()


def hold_findings(session: Session, production: Production, ids: Iterable[int]) -> list[Finding]:
    """These findings, held until the transaction ends. Raises NotFoundError for one that the production
    does not have."""
    found: list[Finding] = []
    for chunk in in_chunks(sorted(set(ids))):
        rows = {
            row.id: row
            for row in session.scalars(
                select(Finding).where(Finding.id.in_(chunk), _is_of(production)).with_for_update(of=Finding)
            )
        }
        if missing := [key for key in chunk if key not in rows]:
            raise NotFoundError(
                f"{production.name} has no finding {', '.join(map(str, missing[:10]))}",
                remedy="List them with `rushlight findings`; one that holds no longer goes.",
            )
        found += [rows[key] for key in chunk]
    return found


def _is_of(production: Production) -> ColumnElement[bool]:
    of_file = select(File.id).join(Reel, Reel.id == File.reel_id).where(Reel.production_id == production.id)
    of_clip = select(Clip.id).where(Clip.production_id == production.id)
    return or_(Finding.clip_id.in_(of_clip), Finding.file_id.in_(of_file))


def dismiss_findings(
    session: Session,
    production: Production,
    ids: Iterable[int],
    reason: str | None,
    by: str,
    summary: str = "",
) -> tuple[int, ChangeSet | None]:
    """Put findings away with a person's reason, or with None bring them back; in the caller's transaction.

    They stay where they are and count no longer. Returns how many there were and the journal's entry, None
    where nothing differs. Raises UsageError for an empty or unusable reason, NotFoundError.
    """
    if reason is not None:
        reason = _checked(reason)
    rows = hold_findings(session, production, ids)
    before: dict[int, Values | None] = {row.id: {"dismissed": row.dismissed} for row in rows}
    for row in rows:
        row.dismissed = reason
    session.flush()
    after: dict[int, Values | None] = {row.id: {"dismissed": reason} for row in rows}
    return len(rows), record(session, production, by, summary or _say(rows, reason), FINDING, before, after)


def _checked(reason: str) -> str:
    reason = reason.strip()
    if not reason:
        raise UsageError(
            "a finding is dismissed for a reason", remedy='Say why: --because "it is meant to be soft".'
        )
    if find_unusable(reason) is not None or len(reason) > LONGEST_REASON:
        raise UsageError(
            "the reason holds what can't be kept, or is too long",
            remedy=f"Write plain text of at most {LONGEST_REASON} characters.",
        )
    return reason


def _say(rows: Sequence[Finding], reason: str | None) -> str:
    codes = ", ".join(dict.fromkeys(row.code for row in rows))
    return f"finding {codes}: back again" if reason is None else f"finding {codes} dismissed: {reason}"


def restore_findings(
    session: Session,
    production: Production,
    edit: ChangeSet,
    changes: Sequence[Change],
    by: str,
    summary: str,
    done: ChangeSet | None,
) -> ChangeSet | None:
    """Take dismissals back. Raises ConflictError when a finding was dealt with since, or holds no longer."""
    before: dict[int, Values | None] = {}
    after: dict[int, Values | None] = {}
    for change in changes:
        row = session.get(Finding, change.subject_id)
        left, wanted = (change.after or {}).get("dismissed"), (change.before or {}).get("dismissed")
        if row is None or row.dismissed != left:
            raise ConflictError(
                f"edit {edit.id} can't be taken back: finding {change.subject_id} changed since",
                remedy="Take the later edits back first (`rushlight changes` lists them).",
            )
        before[row.id], after[row.id] = {"dismissed": row.dismissed}, {"dismissed": wanted}
        row.dismissed = wanted
    session.flush()
    return record(session, production, by, summary, FINDING, before, after, undoes=edit, into=done)
