"""Edits of what stands beside the log entries: who is on a sound's channels, and a day's date and goal.

Written into the journal as every other edit, and taken back with it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.channels import SetChannel, map_channels
from shared.catalogue.chunks import in_chunks
from shared.catalogue.journal import CHANNELS, DAY, Values, record
from shared.catalogue.productions import set_day
from shared.errors import ConflictError
from shared.models import Change, ChangeSet, ChannelMap, ChannelSource, Clip, Production, ShootingDay
from shared.vocabulary import Vocabulary


def edit_channels(
    session: Session,
    production: Production,
    clips: Sequence[Clip],
    changes: Iterable[SetChannel],
    vocabulary: Vocabulary,
    by: str,
    *,
    summary: str = "",
    into: ChangeSet | None = None,
) -> ChangeSet | None:
    """Say what is on channels of these clips. Raises as `map_channels`.

    `into`: the edit that this is a part of. Returns the journal's entry; None where nothing changed.
    """
    changes = list(changes)
    ids, numbers = [clip.id for clip in clips], [change.channel for change in changes]
    before = read_channels(session, ids, numbers)
    map_channels(session, production, clips, changes, vocabulary)
    after = read_channels(session, ids, numbers)
    said = summary or " ".join(f"ch{one.channel}={one.microphone}:{one.person}" for one in changes)
    return record(session, production, by, said, CHANNELS, before, after, into=into)


def read_channels(
    session: Session, clip_ids: Iterable[int], numbers: Sequence[int]
) -> dict[int, Values | None]:
    """What people said of these channels, by clip: `ch1` and so on; null: nobody said anything."""
    ids = list(clip_ids)
    found: dict[int, Values] = {key: {f"ch{number}": None for number in numbers} for key in ids}
    for chunk in in_chunks(ids):
        rows = select(ChannelMap).where(
            ChannelMap.clip_id.in_(chunk),
            ChannelMap.channel.in_(numbers),
            ChannelMap.source == ChannelSource.LOG,
        )
        named = rows.options(joinedload(ChannelMap.microphone), joinedload(ChannelMap.person))
        for row in session.scalars(named):
            found[row.clip_id][f"ch{row.channel}"] = {
                "microphone": row.microphone.name if row.microphone is not None else "",
                "person": row.person.name if row.person is not None else "",
            }
    return dict(found)


def restore_channels(
    session: Session,
    production: Production,
    edit: ChangeSet,
    changes: Sequence[Change],
    vocabulary: Vocabulary,
) -> tuple[dict[int, Values | None], dict[int, Values | None]]:
    """Give channels what they had before this edit; returns what they had and what they have.

    Raises ConflictError when one was changed again since.
    """
    had: dict[int, Values | None] = {}
    have: dict[int, Values | None] = {}
    for change in changes:
        left, wanted = change.after or {}, change.before or {}
        numbers = [int(name.removeprefix("ch")) for name in left]
        clip = session.get_one(Clip, change.subject_id)
        had |= read_channels(session, [clip.id], numbers)
        if had[clip.id] != left:
            raise _changed_since(edit, f"the channels of {clip.name}")
        back = [SetChannel(number, **_names(wanted.get(f"ch{number}"))) for number in numbers]
        map_channels(session, production, [clip], back, vocabulary)
        have |= read_channels(session, [clip.id], numbers)
    return had, have


def _names(said: Mapping[str, str] | None) -> dict[str, str]:
    return dict(said) if said else {"microphone": "", "person": ""}


def edit_day(
    session: Session,
    production: Production,
    by: str,
    *,
    number: int,
    date: dt.date | None = None,
    goal: str | None = None,
) -> ShootingDay:
    """Make or change a shooting day. Raises as `set_day`."""
    there = session.scalar(select(ShootingDay).filter_by(production_id=production.id, number=number))
    before = _day_values(there)
    day = set_day(session, production, number=number, date=date, goal=goal)
    said = f"day {number}: {day.date} {day.goal}".strip()
    record(session, production, by, said, DAY, {day.id: before}, {day.id: _day_values(day)})
    return day


def restore_days(
    session: Session, production: Production, edit: ChangeSet, changes: Sequence[Change]
) -> tuple[dict[int, Values | None], dict[int, Values | None]]:
    """As `restore_channels`, of days. A day that was made by the edit goes, if nothing was shot on it."""
    had: dict[int, Values | None] = {}
    have: dict[int, Values | None] = {}
    for change in changes:
        day = session.get(ShootingDay, change.subject_id)
        had[change.subject_id] = standing = _day_values(day)
        left, wanted = change.after, change.before
        if not _agrees(standing, left):
            raise _changed_since(edit, f"day {_number(day, left, wanted)}")
        if day is not None and wanted is None:
            _remove_day(session, edit, day)
            have[change.subject_id] = None
        elif wanted is not None:
            whole = {**(standing or {}), **wanted}
            restored = set_day(
                session,
                production,
                number=whole["number"],
                date=dt.date.fromisoformat(whole["date"]),
                goal=whole["goal"],
            )
            have[change.subject_id] = _day_values(restored)
    return had, have


def _agrees(standing: Values | None, left: Values | None) -> bool:
    if standing is None or left is None:
        return standing is left
    return all(standing.get(field) == value for field, value in left.items())


def _number(day: ShootingDay | None, *values: Values | None) -> object:
    return day.number if day is not None else next((one["number"] for one in values if one), "?")


def _remove_day(session: Session, edit: ChangeSet, day: ShootingDay) -> None:
    shot = session.scalar(select(func.count()).select_from(Clip).where(Clip.day_id == day.id))
    if shot:
        raise ConflictError(
            f"edit {edit.id} can't be taken back: {shot} clips were shot on day {day.number}",
            remedy="Put them on another day first, or change the day's date and goal.",
        )
    session.delete(day)
    session.flush()


def _day_values(day: ShootingDay | None) -> Values | None:
    if day is None:
        return None
    return {"number": day.number, "date": day.date.isoformat(), "goal": day.goal}


def _changed_since(edit: ChangeSet, what: str) -> ConflictError:
    return ConflictError(
        f"edit {edit.id} can't be taken back: {what} changed since",
        remedy="Take the later edits back first (`rushlight changes` lists them).",
    )
