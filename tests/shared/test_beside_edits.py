"""Edits of channels and of days: in the journal, and taken back whole or not at all."""

from __future__ import annotations

import datetime as dt

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.beside_edits import edit_channels, edit_day, read_channels
from shared.catalogue.channels import read_channel
from shared.catalogue.editing import edit_clips, find_edit, undo
from shared.catalogue.log import parse_assignments
from shared.errors import ConflictError, UsageError
from shared.models import ChangeSet, Clip, ClipMedia, Production, ShootingDay
from shared.vocabulary import load_vocabulary
from tests import factories as make

WORDS = load_vocabulary()
DATE = dt.date(2026, 5, 12)


@pytest.fixture
def sound(session: Session, production: Production) -> Clip:
    reel = make.make_reel(session, production)
    return make.make_clip(session, reel, "S001T01.WAV", media=ClipMedia.AUDIO)


def say(session: Session, clip: Clip, *texts: str) -> ChangeSet | None:
    changes = [read_channel(text) for text in texts]
    return edit_channels(session, clip.production, [clip], changes, WORDS, "ada")


def said(session: Session, clip: Clip, *numbers: int) -> dict[str, object]:
    session.expire_all()
    return dict(read_channels(session, [clip.id], numbers)[clip.id] or {})


def take_back(session: Session, production: Production, number: int | None = None) -> ChangeSet:
    return undo(session, production, find_edit(session, production, "ada", number), WORDS, "ada")


def test_channels_are_written_down_and_taken_back(
    session: Session, production: Production, sound: Clip
) -> None:
    first = say(session, sound, "ch1=lav:Ada Wren", "ch2=:Nell Harrowby")
    assert first is not None and (first.author, first.changes[0].kind) == ("ada", "channels")
    assert first.changes[0].before == {"ch1": None, "ch2": None}
    assert say(session, sound, "ch1=lav:Ada Wren") is None, "nothing differs"
    say(session, sound, "ch1=", "ch2=shotgun")
    now = said(session, sound, 1, 2)
    assert now["ch1"] is None and isinstance(now["ch2"], dict) and now["ch2"]["person"] == ""
    take_back(session, production)
    ada = said(session, sound, 1, 2)
    assert isinstance(ada["ch1"], dict) and ada["ch1"]["person"] == "Ada Wren"
    assert isinstance(ada["ch2"], dict) and ada["ch2"] == {"microphone": "", "person": "Nell Harrowby"}
    take_back(session, production)
    assert said(session, sound, 1, 2) == {"ch1": None, "ch2": None}


def test_a_channel_changed_since_stays(session: Session, production: Production, sound: Clip) -> None:
    first = say(session, sound, "ch1=:Ada Wren")
    say(session, sound, "ch1=:Nell Harrowby")
    assert first is not None
    with pytest.raises(ConflictError, match=r"channels of S001T01 changed since"):
        take_back(session, production, first.id)


def test_log_and_channels_of_one_command_are_one_edit(
    session: Session, production: Production, sound: Clip
) -> None:
    changes = parse_assignments(["note=by the winch"], WORDS)
    _, edit = edit_clips(session, production, [sound.id], changes, WORDS, "ada")
    whole = edit_channels(
        session, production, [sound], [read_channel("ch1=:Ada Wren")], WORDS, "ada", into=edit
    )
    assert whole is edit and edit is not None
    assert sorted(change.kind for change in edit.changes) == ["channels", "clip"]
    back = take_back(session, production, edit.id)
    assert sorted(change.kind for change in back.changes) == ["channels", "clip"]
    assert said(session, sound, 1) == {"ch1": None}
    take_back(session, production, back.id)
    assert said(session, sound, 1) == {"ch1": {"microphone": "", "person": "Ada Wren"}}


def test_a_day_gets_its_goal_back(session: Session, production: Production) -> None:
    edit_day(session, production, "ada", number=1, date=DATE, goal="Meet the people")
    edit_day(session, production, "ada", number=1, goal="The crossing at dawn")
    take_back(session, production)
    day = session.scalars(select(ShootingDay)).one()
    assert (day.number, day.date, day.goal) == (1, DATE, "Meet the people")
    take_back(session, production)
    assert session.scalar(select(ShootingDay)) is None, "the day was made by that edit"
    made = session.scalars(select(ChangeSet).order_by(ChangeSet.id.desc())).first()
    assert made is not None
    take_back(session, production, made.id)  # brings it back
    assert session.scalars(select(ShootingDay.goal)).one() == "Meet the people"


def test_a_day_something_was_shot_on_is_not_unmade(session: Session, production: Production) -> None:
    day = edit_day(session, production, "ada", number=4, date=DATE, goal="")
    make.make_clip(session, make.make_reel(session, production), "C1.MOV", day_id=day.id)
    with pytest.raises(ConflictError, match="can't go: 1 clips were shot on it"):
        take_back(session, production)
    edit_day(session, production, "nell", number=4, goal="changed")
    with pytest.raises(ConflictError, match="day 4 changed since"):
        take_back(session, production)
    with pytest.raises(UsageError, match="needs a date"):
        edit_day(session, production, "ada", number=9, goal="no date")
