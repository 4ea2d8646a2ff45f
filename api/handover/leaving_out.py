"""A hand-over's words without what its profile leaves out; the catalogue's own rows stay as they are."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

from sqlalchemy import inspect

from api.handover.profile import Profile
from api.handover.shots import Handover, Mark, Shot
from api.handover.speech import Speech
from shared.catalogue.channels import Channel
from shared.catalogue.transcripts import speaker_name
from shared.models import ClipCue, LogEntry, Moment, Person, ShootingDay

Row = TypeVar("Row", LogEntry, Moment, Person, ShootingDay, ClipCue)
_WORDS = ("subject", "scene", "note")


def leave_out(handover: Handover, profile: Profile) -> Handover:
    """The same hand-over in other words. What is changed is a copy that no session knows."""
    if not profile.parts:
        return handover
    days = [_copy(day) for day in handover.days]
    for day in days:
        day.goal = profile.mask(day.goal)
    return replace(
        handover,
        profile=profile,
        query=profile.mask(handover.query),
        days=tuple(days),
        shots=tuple(_shot(shot, profile) for shot in handover.shots),
        speech={clip: _speech(one, profile) for clip, one in handover.speech.items()},
        wishes={clip: tuple(map(profile.mask, said)) for clip, said in handover.wishes.items()},
    )


def _shot(shot: Shot, profile: Profile) -> Shot:
    return replace(
        shot,
        entry=_entry(shot.entry, profile),
        marks=tuple(_mark(mark, profile) for mark in shot.marks),
        channels=tuple(_channel(one, profile) for one in shot.channels),
    )


def _entry(entry: LogEntry | None, profile: Profile) -> LogEntry | None:
    if entry is None:
        return None
    said = _copy(entry)
    for field in _WORDS:
        setattr(said, field, profile.mask(getattr(entry, field)))
    said.place = "" if profile.places else profile.mask(entry.place)
    said.tags = [tag for tag in entry.tags if profile.mask(tag.name) == tag.name]
    said.people = [_person(person, profile) for person in entry.people]
    return said


def _person(person: Person, profile: Profile) -> Person:
    known = _copy(person)
    known.name, known.role = profile.name(person.name), profile.mask(person.role)
    return known


def _mark(mark: Mark, profile: Profile) -> Mark:
    moment = _copy(mark.moment)
    moment.name = profile.mask(mark.moment.name)
    return Mark(moment, _entry(mark.entry, profile))


def _speech(speech: Speech, profile: Profile) -> Speech:
    """The times of single words go with words that were changed: they would tell where a name was."""
    return replace(speech, cues=tuple(_cue(cue, profile) for cue in speech.cues))


def _cue(cue: ClipCue, profile: Profile) -> ClipCue:
    said = _copy(cue)
    said.text, said.spoken = profile.mask(cue.text), None
    said.speaker = profile.mask(profile.name(speaker_name(cue)))
    said.person_id = None
    return said


def _channel(channel: Channel, profile: Profile) -> Channel:
    person = None if channel.person is None else profile.name(channel.person)
    return replace(channel, person=person, track=profile.mask(channel.track))


def _copy(row: Row) -> Row:
    """A row's columns in a new object, without its relations."""
    made = type(row)()
    for column in inspect(type(row)).column_attrs:
        setattr(made, column.key, getattr(row, column.key))
    return made
