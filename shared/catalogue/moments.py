"""Moments: ranges of a clip that somebody marked, with a log entry of their own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.assignments import AddNames, Change, RemoveNames, SetNames, SetValue
from shared.catalogue.journal import MOMENT, Values, moment_log, record
from shared.catalogue.log import name_ids
from shared.catalogue.plan import remove_answers_of
from shared.catalogue.rows import RowsEdit
from shared.catalogue.text import refresh_text
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import Answer, ChangeSet, Clip, ClipMedia, LogEntry, Moment, Person, Production, Tag, now
from shared.models import Change as Written
from shared.query_fields import TEXT_FIELDS
from shared.vocabulary import Vocabulary

_LONGEST_NAME = 200
_LONGEST_BY = 100


@dataclass(frozen=True, slots=True)
class MomentEdit:
    """What is to change; None leaves as it is. Frames count from the clip's first; out is exclusive."""

    in_frame: int | None = None
    out_frame: int | None = None
    name: str | None = None
    changes: Sequence[Change] = ()


def list_moments(session: Session, clip: Clip) -> list[tuple[Moment, LogEntry | None]]:
    """The clip's moments in order, each with its entry."""
    rows = session.execute(
        select(Moment, LogEntry)
        .outerjoin(LogEntry, LogEntry.moment_id == Moment.id)
        .where(Moment.clip_id == clip.id)
        .order_by(Moment.in_frame, Moment.id)
    )
    return [(moment, entry) for moment, entry in rows]


def find_moment(session: Session, production: Production, number: int) -> Moment:
    """Raises NotFoundError."""
    moment = session.get(Moment, number)
    if moment is None or moment.clip.production_id != production.id:
        raise NotFoundError(
            f"{production.name} has no moment {number}", remedy="List a clip's with `rushlight moments CLIP`."
        )
    return moment


def make_moment(
    session: Session, clip: Clip, production: Production, edit: MomentEdit, vocabulary: Vocabulary, by: str
) -> Moment:
    """Mark a range of a clip. Raises UsageError for a range that is none or leaves the clip."""
    if edit.in_frame is None or edit.out_frame is None:
        raise UsageError("a moment needs an in and an out", remedy="Give both.")
    moment = Moment(clip_id=clip.id, in_frame=edit.in_frame, out_frame=edit.out_frame, name="")
    _check(clip, edit.in_frame, edit.out_frame)
    session.add(moment)
    session.flush()
    _apply(session, production, moment, edit, vocabulary, by)
    _write_down(
        session,
        production,
        clip,
        by,
        f"mark a moment of {clip.name}",
        moment.id,
        None,
        moment_values(session, moment),
    )
    refresh_text(session, [clip.id], vocabulary)
    return moment


def change_moment(
    session: Session,
    moment: Moment,
    production: Production,
    edit: MomentEdit,
    vocabulary: Vocabulary,
    by: str,
) -> None:
    """Change a moment's range, name or entry. Raises as `make_moment`."""
    before = moment_values(session, moment)
    _apply(session, production, moment, edit, vocabulary, by)
    after = moment_values(session, moment)
    clip = moment.clip
    _write_down(session, production, clip, by, f"change a moment of {clip.name}", moment.id, before, after)
    refresh_text(session, [clip.id], vocabulary)


def remove_moment(
    session: Session, moment: Moment, production: Production, vocabulary: Vocabulary, by: str
) -> None:
    """Take a moment away; its entry goes with it, and what it answered. An undo brings all back."""
    clip, before, number = moment.clip, moment_values(session, moment), moment.id
    answers = RowsEdit(session, production, by, f"remove a moment of {clip.name}")
    remove_answers_of(answers, moment)
    _delete(session, moment)
    done = record(session, production, by, answers.summary, MOMENT, {number: before}, {number: None})
    answers.close(into=done)
    refresh_text(session, [clip.id], vocabulary)


def moment_values(session: Session, moment: Moment) -> Values:
    """A moment as a snapshot."""
    entry = session.scalar(select(LogEntry).where(LogEntry.moment_id == moment.id))
    return {
        "clip_id": moment.clip_id,
        "in": moment.in_frame,
        "out": moment.out_frame,
        "name": moment.name,
        "log": moment_log(entry),
    }


def restore_moments(
    session: Session,
    production: Production,
    edit: ChangeSet,
    changes: Sequence[Written],
    vocabulary: Vocabulary,
    by: str,
    summary: str,
    done: ChangeSet | None,
) -> ChangeSet | None:
    """Give moments back what an edit changed. Raises ConflictError when one was changed since."""
    before: dict[int, Values | None] = {}
    after: dict[int, Values | None] = {}
    clips: set[int] = set()
    for change in changes:
        moment = session.get(Moment, change.subject_id)
        standing = moment_values(session, moment) if moment is not None else None
        _check_as_left(edit, change, standing)
        wanted = change.before if standing is None or change.before is None else {**standing, **change.before}
        restored = _restore(session, production, change.subject_id, moment, wanted, vocabulary, by)
        before[change.subject_id] = standing
        after[change.subject_id] = moment_values(session, restored) if restored is not None else None
        clips |= {values["clip_id"] for values in (standing, wanted) if values is not None}
    done = record(session, production, by, summary, MOMENT, before, after, undoes=edit, into=done)
    refresh_text(session, clips, vocabulary)
    return done


def _check_as_left(edit: ChangeSet, change: Written, standing: Values | None) -> None:
    left = change.after
    same = (
        standing is None
        if left is None
        else standing is not None and all(standing.get(field) == value for field, value in left.items())
    )
    if not same:
        raise ConflictError(
            f"edit {edit.id} can't be taken back: moment {change.subject_id} changed since",
            remedy="Take the later edits back first (`rushlight changes` lists them).",
        )


def _restore(
    session: Session,
    production: Production,
    number: int,
    moment: Moment | None,
    wanted: Values | None,
    vocabulary: Vocabulary,
    by: str,
) -> Moment | None:
    if wanted is None:
        if moment is not None:
            _delete(session, moment)
        return None
    if moment is None:
        moment = Moment(
            id=number, clip_id=wanted["clip_id"], in_frame=wanted["in"], out_frame=wanted["out"], name=""
        )
        session.add(moment)
        session.flush()
    said: Mapping[str, object] = wanted["log"]
    entry = session.scalar(select(LogEntry).where(LogEntry.moment_id == moment.id))
    fields = {*said, *moment_log(entry)}
    changes: list[Change] = []
    for field in fields:
        if field in ("tag", "person"):
            names = said.get(field, ())
            assert isinstance(names, list | tuple)
            changes.append(SetNames(field, tuple(names)))
        else:
            changes.append(SetValue(field, str(said[field]) if field in said else None))
    _apply(
        session,
        production,
        moment,
        MomentEdit(wanted["in"], wanted["out"], wanted["name"], changes),
        vocabulary,
        by,
    )
    return moment


def _delete(session: Session, moment: Moment) -> None:
    """Raises ConflictError while it is said to answer a wish."""
    if session.scalar(select(Answer.id).where(Answer.moment_id == moment.id).limit(1)) is not None:
        raise ConflictError(
            f"moment {moment.id} answers a wanted shot",
            remedy="Take the answer away first: `rushlight answer`.",
        )
    entry = session.scalar(select(LogEntry).where(LogEntry.moment_id == moment.id))
    if entry is not None:
        session.delete(entry)  # its links to tags and people go with it
        session.flush()
    session.delete(moment)
    session.flush()


def _apply(
    session: Session,
    production: Production,
    moment: Moment,
    edit: MomentEdit,
    vocabulary: Vocabulary,
    by: str,
) -> None:
    first = moment.in_frame if edit.in_frame is None else edit.in_frame
    end = moment.out_frame if edit.out_frame is None else edit.out_frame
    _check(session.get_one(Clip, moment.clip_id), first, end)
    moment.in_frame, moment.out_frame = first, end
    if edit.name is not None:
        moment.name = " ".join(edit.name.split())[:_LONGEST_NAME]
    if edit.changes:
        _apply_entry(session, production, moment, edit.changes, vocabulary, by)
    session.flush()


def _apply_entry(
    session: Session,
    production: Production,
    moment: Moment,
    changes: Sequence[Change],
    vocabulary: Vocabulary,
    by: str,
) -> None:
    entry = session.scalar(select(LogEntry).where(LogEntry.moment_id == moment.id))
    if entry is None:
        entry = LogEntry(moment_id=moment.id, version=0)
        session.add(entry)
    for change in changes:
        if isinstance(change, SetValue):
            _set(entry, change, vocabulary)
        else:
            _link(session, production, entry, change)
    entry.version += 1
    entry.updated_at, entry.updated_by = now(), by[:_LONGEST_BY]


def _set(entry: LogEntry, change: SetValue, vocabulary: Vocabulary) -> None:
    if not hasattr(LogEntry, change.field) or change.field in ("camera", "lens", "day"):
        raise UsageError(
            f"a moment has no {change.field} of its own", remedy="It is the clip's: log the clip instead."
        )
    if change.field in TEXT_FIELDS:
        setattr(entry, change.field, change.value or "")
    else:
        setattr(entry, change.field, change.value and vocabulary.resolve(change.field, change.value).code)


def _link(
    session: Session, production: Production, entry: LogEntry, change: SetNames | AddNames | RemoveNames
) -> None:
    model: type[Tag] | type[Person] = Tag if change.field == "tag" else Person
    there = entry.tags if change.field == "tag" else entry.people
    ids = name_ids(session, production, change)
    held = {one.id for one in there}
    wanted = (
        set(ids)
        if isinstance(change, SetNames)
        else held | set(ids)
        if isinstance(change, AddNames)
        else held - set(ids)
    )
    rows = [session.get_one(model, key) for key in wanted]
    if change.field == "tag":
        entry.tags = [row for row in rows if isinstance(row, Tag)]
    else:
        entry.people = [row for row in rows if isinstance(row, Person)]


def _check(clip: Clip, first: int, end: int) -> None:
    if clip.media is ClipMedia.IMAGE:
        raise UsageError("a photograph has no moments", path=clip.name, remedy="Log the clip itself.")
    if first < 0 or end <= first:
        raise UsageError(
            f"{first} to {end} is no range", path=clip.name, remedy="In comes first, and out after it."
        )
    if clip.frames is not None and end > clip.frames:
        raise UsageError(
            f"frame {end} is beyond the end of the clip, which has {clip.frames}",
            path=clip.name,
            remedy="Out is exclusive: it may be the number of frames at most.",
        )


def _write_down(
    session: Session,
    production: Production,
    clip: Clip,
    by: str,
    summary: str,
    number: int,
    before: Values | None,
    after: Values | None,
) -> None:
    record(session, production, by, summary, MOMENT, {number: before}, {number: after})
