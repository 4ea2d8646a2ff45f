"""Carrying out a merge: one transaction, one entry of the journal, so that it is taken back as a whole."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.assignments import SetNames
from shared.catalogue.journal import CLIP, MOMENT, Values, read_values, record
from shared.catalogue.log import name_ids
from shared.catalogue.moments import moment_values
from shared.catalogue.rows import RowsEdit
from shared.catalogue.set_values import set_values
from shared.catalogue.text import refresh_text
from shared.catalogue.transcript_rows import TRANSCRIPT
from shared.catalogue.transfer import Merge, SpokenMerge, Subject
from shared.models import ChangeSet, LogEntry, Moment, Person, Production, Tag, now
from shared.vocabulary import Vocabulary

_LONGEST_BY = 100


def apply_merge(
    session: Session, production: Production, merge: Merge, vocabulary: Vocabulary, by: str, summary: str
) -> ChangeSet | None:
    """Write what `plan_merge` found wanted, in the caller's transaction. None: there was nothing to write."""
    clips = {subject.clip: values for subject, values in merge.wanted.items() if subject.range is None}
    moments = {subject: values for subject, values in merge.wanted.items() if subject.range is not None}
    fields = {name for values in clips.values() for name in values}
    before = read_values(session, clips, fields)
    set_values(session, production, clips, vocabulary, by)
    edit = record(session, production, by, summary, CLIP, before, read_values(session, clips, fields))
    if moments:
        edit = _write_moments(session, production, moments, vocabulary, by, summary, edit)
    spoken = RowsEdit(session, production, by, summary)
    for one in merge.spoken:
        _keep_spoken(spoken, one)
    return spoken.close(into=edit)


def _keep_spoken(edit: RowsEdit, wanted: SpokenMerge) -> None:
    """Of those that stand there, the one of the same part is changed, so that its number stays."""
    part = wanted.carried.part
    taken = next((one for one in wanted.standing if one.part == part), None)
    for one in wanted.standing:
        if one is not taken:
            edit.remove(TRANSCRIPT, one)
    values = {"clip": wanted.clip, **wanted.carried.values}
    edit.put(TRANSCRIPT, taken.id if taken is not None else None, values)


def _write_moments(
    session: Session,
    production: Production,
    moments: Mapping[Subject, Values],
    vocabulary: Vocabulary,
    by: str,
    summary: str,
    edit: ChangeSet | None,
) -> ChangeSet | None:
    before: dict[int, Values | None] = {}
    after: dict[int, Values | None] = {}
    for subject, values in moments.items():
        there = session.get(Moment, subject.moment) if subject.moment is not None else None
        standing = moment_values(session, there) if there is not None else None
        moment = _write_moment(session, production, there, subject, values, by)
        before[moment.id], after[moment.id] = standing, moment_values(session, moment)
    refresh_text(session, {subject.clip for subject in moments}, vocabulary)
    return record(session, production, by, summary, MOMENT, before, after, into=edit)


def _write_moment(
    session: Session,
    production: Production,
    moment: Moment | None,
    subject: Subject,
    values: Values,
    by: str,
) -> Moment:
    if moment is None:
        assert subject.range is not None
        first, end = subject.range
        moment = Moment(clip_id=subject.clip, in_frame=first, out_frame=end, name="")
        session.add(moment)
    if "name" in values:
        moment.name = values["name"]
    session.flush()
    said: dict[str, Any] = {name: value for name, value in values.items() if name != "name"}
    if said:
        entry = session.scalar(select(LogEntry).where(LogEntry.moment_id == moment.id))
        if entry is None:
            entry = LogEntry(moment_id=moment.id, version=0)
            session.add(entry)
        if "tag" in said:
            ids = name_ids(session, production, SetNames("tag", tuple(said.pop("tag"))))
            entry.tags = [session.get_one(Tag, key) for key in dict.fromkeys(ids)]
        if "person" in said:
            ids = name_ids(session, production, SetNames("person", tuple(said.pop("person"))))
            entry.people = [session.get_one(Person, key) for key in dict.fromkeys(ids)]
        for name, value in said.items():
            setattr(entry, name, value)
        entry.version += 1
        entry.updated_at, entry.updated_by = now(), by[:_LONGEST_BY]
        session.flush()
    return moment
