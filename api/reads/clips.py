"""What is read beside clips: their stills, what was noticed, and everything of a single one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, bindparam, or_, select
from sqlalchemy.orm import Session, joinedload, selectinload

from api.reads.clip_lines import ClipLine, read_lines
from shared.catalogue.search import read_entries
from shared.errors import NotFoundError
from shared.models import Clip, ClipFile, Copy, File, Finding, LogEntry, Moment, Still, TakeFacts


@dataclass(frozen=True, slots=True)
class WholeClip:
    """One clip with everything known of it. `line`: as in a list; `facts` by file id;
    `findings` of the clip and its files.
    """

    clip: Clip
    line: ClipLine
    entry: LogEntry | None
    facts: dict[int, TakeFacts]
    findings: tuple[Finding, ...]
    moments: tuple[Moment, ...]


def read_stills(session: Session, clip_ids: Sequence[int]) -> dict[int, list[Still]]:
    """By clip id, in order; clips without one have no key."""
    found: dict[int, list[Still]] = defaultdict(list)
    stills = select(Still).where(Still.clip_id.in_(clip_ids)).order_by(Still.clip_id, Still.ordinal)
    for still in session.scalars(stills):
        found[still.clip_id].append(still)
    return dict(found)


_IDS: Any = bindparam("ids", expanding=True)
_CODES = (  # two, as SQLite would go through all findings that have no clip
    select(Finding.clip_id, Finding.code, Finding.id)
    .where(Finding.clip_id.in_(_IDS), Finding.dismissed.is_(None))
    .order_by(Finding.id),
    select(ClipFile.clip_id, Finding.code, Finding.id)
    .join(ClipFile, ClipFile.file_id == Finding.file_id)
    .where(ClipFile.clip_id.in_(_IDS), Finding.dismissed.is_(None))
    .order_by(Finding.id),
)


def read_finding_codes(session: Session, clip_ids: Sequence[int]) -> dict[int, list[str]]:
    """What was noticed in each clip or its files and nobody has dismissed; others have no key."""
    found: dict[Any, list[str]] = defaultdict(list)
    for statement in _CODES:
        for clip_id, code, _ in session.execute(statement, {"ids": list(clip_ids)}):
            if code not in found[clip_id]:
                found[clip_id].append(code)
    return dict(found)


def findings_of(clip_id: int) -> Select[Finding]:
    """Findings of a clip and of its files, dismissed ones too."""
    files = select(ClipFile.file_id).where(ClipFile.clip_id == clip_id)
    return select(Finding).where(or_(Finding.clip_id == clip_id, Finding.file_id.in_(files)))


def check_clip(session: Session, clip_id: int) -> None:
    """Raises NotFoundError unless there is this clip."""
    if session.scalar(select(Clip.id).where(Clip.id == clip_id)) is None:
        raise _no_clip(clip_id)


def read_clip(session: Session, clip_id: int) -> WholeClip:
    """Raises NotFoundError."""
    clip = session.get(Clip, clip_id, options=_everything())
    if clip is None:
        raise _no_clip(clip_id)
    files = [part.file_id for part in clip.files]
    return WholeClip(
        clip,
        read_lines(session, [clip_id])[0],
        read_entries(session, [clip_id]).get(clip_id),
        {
            facts.file_id: facts
            for facts in session.scalars(select(TakeFacts).where(TakeFacts.file_id.in_(files)))
        },
        tuple(session.scalars(findings_of(clip_id).order_by(Finding.id))),
        tuple(session.scalars(select(Moment).where(Moment.clip_id == clip_id).order_by(Moment.in_frame))),
    )


def _everything() -> Sequence[Any]:
    copies = selectinload(Clip.files).joinedload(ClipFile.file).selectinload(File.copies)
    return (
        joinedload(Clip.production),
        joinedload(Clip.reel),
        joinedload(Clip.camera),
        joinedload(Clip.day),
        joinedload(Clip.lens),
        selectinload(Clip.stills),
        copies.joinedload(Copy.destination),
    )


def _no_clip(clip_id: int) -> NotFoundError:
    return NotFoundError(f"there is no clip {clip_id}", remedy="Find it by its name or its day.")
