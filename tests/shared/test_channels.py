"""Channel → microphone → person: what is typed, what is written, what a file suggests."""

from __future__ import annotations

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.channels import SetChannel, is_channel, list_channels, map_channels, read_channel
from shared.catalogue.lenses import set_microphone
from shared.errors import UsageError
from shared.models import ChannelMap, Clip, ClipMedia, Microphone, Person, Production
from shared.vocabulary import Vocabulary
from tests import factories as make


@pytest.fixture
def clip(session: Session, production: Production) -> Clip:
    """A sound file of two channels that names them."""
    reel = make.make_reel(session, production)
    made = make.make_clip(session, reel, "S001T01.WAV", media=ClipMedia.AUDIO)
    tracks = [
        {"channel": 1, "name": "Nell Harrowby lav", "function": ""},
        {"channel": 2, "name": "shotgun", "function": ""},
    ]
    make.make_facts(session, made.files[0].file, audio_channels=2, more={"tracks": tracks})
    return made


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('ch1=lav:"Nell Harrowby"', SetChannel(1, "lav", "Nell Harrowby")),
        ("CH12 = lav : Nell  Harrowby ", SetChannel(12, "lav", "Nell Harrowby")),
        ("channel2=shotgun", SetChannel(2, "shotgun", "")),
        ("ch1=:Nell", SetChannel(1, "", "Nell")),
        ("ch1=", SetChannel(1, "", "")),
        ("ch1=Boom: the: second", SetChannel(1, "Boom", "the: second")),
    ],
)
def test_what_is_typed_is_read(text: str, expected: SetChannel) -> None:
    assert is_channel(text)
    assert read_channel(text) == expected


@pytest.mark.parametrize("text", ["ch0=lav", "ch257=lav", "ch1=la\x07v", f"ch1={'x' * 201}"])
def test_what_can_be_no_channel_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        read_channel(text)


@pytest.mark.parametrize("text", ["kind=interview", "chapter=1", "ch=lav", "ch1", "scene=ch1=x"])
def test_other_fields_are_left_alone(text: str) -> None:
    assert not is_channel(text)


def say(session: Session, clip: Clip, vocabulary: Vocabulary, *texts: str) -> None:
    map_channels(session, clip.production, [clip], [read_channel(text) for text in texts], vocabulary)


def test_a_microphone_is_meant_by_its_kind_and_a_person_by_part_of_a_name(
    session: Session, clip: Clip, vocabulary: Vocabulary
) -> None:
    lav = set_microphone(session, clip.production, "Small one", kind="lav")
    nell = make.make_person(session, clip.production, "Nell Harrowby")
    say(session, clip, vocabulary, "ch1=lapel:Nell")
    row = session.scalars(select(ChannelMap)).one()
    assert (row.clip_id, row.channel, row.microphone_id, row.person_id) == (clip.id, 1, lav.id, nell.id)
    assert (row.track, row.source.value) == ("Nell Harrowby lav", "log")


def test_who_and_what_does_not_exist_yet_is_made(
    session: Session, clip: Clip, vocabulary: Vocabulary
) -> None:
    say(session, clip, vocabulary, "ch1=lav:Ada Quillan", "ch2=Hydrophone")
    assert [person.name for person in session.scalars(select(Person))] == ["Ada Quillan"]
    microphones = {(one.name, one.kind) for one in session.scalars(select(Microphone))}
    assert microphones == {("Lavalier", "lav"), ("Hydrophone", "")}
    say(session, clip, vocabulary, "ch1=lav:Ada Quillan")
    assert len(list(session.scalars(select(Microphone)))) == 2, "nothing is made twice"


def test_what_is_said_again_replaces_and_nothing_takes_away(
    session: Session, clip: Clip, vocabulary: Vocabulary
) -> None:
    say(session, clip, vocabulary, "ch1=lav:Ada", "ch2=boom")
    say(session, clip, vocabulary, "ch1=plant")
    first = list_channels(session, clip, vocabulary)[0]
    assert (first.microphone, first.kind, first.person, first.source) == ("Plant", "plant", None, "log")
    say(session, clip, vocabulary, "ch1=", "ch2=")
    assert list(session.scalars(select(ChannelMap))) == []


def test_the_names_in_the_file_are_suggestions(session: Session, clip: Clip, vocabulary: Vocabulary) -> None:
    make.make_person(session, clip.production, "Nell Harrowby")
    make.make_person(session, clip.production, "Jürgen Vasswell")
    set_microphone(session, clip.production, "Long one", kind="boom")
    one, other = list_channels(session, clip, vocabulary)
    assert (one.track, one.person, one.source) == ("Nell Harrowby lav", "Nell Harrowby", "file")
    assert (other.microphone, other.kind, other.person) == ("Long one", "boom", None)
    assert list(session.scalars(select(ChannelMap))) == [], "looking writes nothing"


def test_two_microphones_of_a_kind_have_to_be_named(
    session: Session, clip: Clip, vocabulary: Vocabulary
) -> None:
    for name in ("Lav 1", "Lav 2"):
        set_microphone(session, clip.production, name, kind="lav")
    with pytest.raises(UsageError, match="Lav 1, Lav 2"):
        say(session, clip, vocabulary, "ch1=lav")
    say(session, clip, vocabulary, "ch1=lav 2")
    assert list_channels(session, clip, vocabulary)[0].microphone == "Lav 2"


def test_a_channel_the_clip_lacks_is_refused(session: Session, clip: Clip, vocabulary: Vocabulary) -> None:
    with pytest.raises(UsageError, match="has 2 channels"):
        say(session, clip, vocabulary, "ch3=lav")
    with pytest.raises(UsageError, match="twice"):
        say(session, clip, vocabulary, "ch1=lav", "ch1=boom")


def test_facts_that_make_no_sense_suggest_nothing(
    session: Session, production: Production, vocabulary: Vocabulary
) -> None:
    reel = make.make_reel(session, production)
    for number, tracks in enumerate(("text", [1, None], [{"channel": "x"}], {"channel": 1})):
        made = make.make_clip(session, reel, f"S{number}.WAV", media=ClipMedia.AUDIO)
        make.make_facts(session, made.files[0].file, audio_channels=1, more={"tracks": tracks})
        (only,) = list_channels(session, made, vocabulary)
        assert (only.channel, only.track, only.kind) == (1, "", None)
