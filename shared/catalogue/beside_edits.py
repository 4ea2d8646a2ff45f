"""Edits of what stands beside the log entries: who is on a sound's channels, and a day's date and goal.

Written into the journal as every other edit, and taken back with it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.channels import SetChannel, map_channels
from shared.catalogue.chunks import in_chunks
from shared.catalogue.journal import CHANNELS, Values, record
from shared.catalogue.plan_kinds import DAY
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
    before = None if there is None else DAY.read(session, there)
    day = set_day(session, production, number=number, date=date, goal=goal)
    said = f"day {number}: {day.date} {day.goal}".strip()
    record(session, production, by, said, DAY.name, {day.id: before}, {day.id: DAY.read(session, day)})
    return day


def _changed_since(edit: ChangeSet, what: str) -> ConflictError:
    return ConflictError(
        f"edit {edit.id} can't be taken back: {what} changed since",
        remedy="Take the later edits back first (`rushlight changes` lists them).",
    )
