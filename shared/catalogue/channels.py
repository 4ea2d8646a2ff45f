"""What is on each channel of a clip's sound: which microphone, and who speaks into it."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.chunks import in_chunks
from shared.catalogue.lenses import set_microphone
from shared.catalogue.lookup import Known, list_known, pick_known, pick_one
from shared.catalogue.text import refresh_text
from shared.errors import UsageError
from shared.models import (
    ChannelMap,
    ChannelSource,
    Clip,
    ClipFile,
    FileRole,
    Microphone,
    Person,
    Production,
    TakeFacts,
)
from shared.vocabulary import Vocabulary
from shared.words import find_unusable, fold_name, show_short

MOST_CHANNELS = 256
_LONGEST = 200  # the width of a microphone's and a person's name
_CHANNEL = re.compile(r"\s*ch(?:annel)?[ _-]?([0-9]{1,3})\s*=(.*)", re.DOTALL | re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class SetChannel:
    """Say what is on a channel, counted from 1. Both names empty: nothing is known of it any more."""

    channel: int
    microphone: str
    person: str


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel as it stands. Without a row of the log: what the file calls it, and what that suggests."""

    channel: int
    track: str
    microphone: str | None
    kind: str | None
    person: str | None
    source: str

    def as_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__}


def is_channel(text: str) -> bool:
    """Whether this is `ch1=…`, for `read_channel` to read."""
    return _CHANNEL.fullmatch(text) is not None


def read_channel(text: str) -> SetChannel:
    """Read `ch1=microphone:person`, `ch1=microphone`, `ch1=:person` or `ch1=`, which takes it away.

    Names may stand in quotation marks. Raises UsageError.
    """
    found = _CHANNEL.fullmatch(text)
    if found is None:
        raise UsageError(f"{show_short(text)} names no channel", remedy='Write ch1=lav:"Ada Wren".')
    channel = int(found[1])
    if not 0 < channel <= MOST_CHANNELS:
        raise UsageError(f"there is no channel {channel}", remedy="Channels count from 1.")
    if find_unusable(found[2]) is not None:
        raise UsageError(f"channel {channel} holds a control character", remedy="Leave it out.")
    microphone, _, person = found[2].partition(":")
    names = [" ".join(name.strip().strip('"').split()) for name in (microphone, person)]
    for name in names:
        if len(name) > _LONGEST:
            raise UsageError(f"{len(name)} characters are too many for a name", remedy="Shorten it.")
    return SetChannel(channel, *names)


def map_channels(
    session: Session,
    production: Production,
    clips: Sequence[Clip],
    changes: Iterable[SetChannel],
    vocabulary: Vocabulary,
) -> None:
    """Write what is on channels of these clips, in the caller's transaction.

    A microphone is meant by its name or by its kind ("shotgun"), and made when there is none of either; so is
    a person. Raises UsageError where several answer, or a clip is known to have fewer channels.
    """
    changes = list(changes)
    if len({change.channel for change in changes}) < len(changes):
        raise UsageError("a channel is set twice", remedy="Leave one of them out.")
    facts_of = _facts_of_clips(session, [clip.id for clip in clips])
    for clip in clips:
        facts = facts_of[clip.id]
        known = sum(row.audio_channels or 0 for row in facts[:1])
        tracks = _tracks_of(facts)
        for change in changes:
            if known and change.channel > known:
                raise UsageError(
                    f"{clip.reel.name}/{clip.name} has {known} channel{'s' if known > 1 else ''}, "
                    f"there is no channel {change.channel}",
                    remedy="Channels count from 1.",
                )
            session.execute(delete(ChannelMap).filter_by(clip_id=clip.id, channel=change.channel))
            if not change.microphone and not change.person:
                continue
            microphone = _microphone(session, production, change.microphone, vocabulary)
            session.add(
                ChannelMap(
                    clip_id=clip.id,
                    channel=change.channel,
                    track=tracks.get(change.channel, "")[:300],
                    microphone_id=None if microphone is None else microphone.id,
                    person_id=_person_id(session, production, change.person),
                    source=ChannelSource.LOG,
                )
            )
    session.flush()
    refresh_text(session, [clip.id for clip in clips], vocabulary)


def list_channels(session: Session, clip: Clip, vocabulary: Vocabulary) -> list[Channel]:
    """What is said of the clip's channels, and for the others what its file calls them, as a suggestion."""
    return channels_of(session, [clip], vocabulary)[clip.id]


def channels_of(session: Session, clips: Sequence[Clip], vocabulary: Vocabulary) -> dict[int, list[Channel]]:
    """As `list_channels`, of many clips of one production: by clip id, every one of them."""
    if not clips:
        return {}
    ids = [clip.id for clip in clips]
    facts = _facts_of_clips(session, ids)
    said: dict[int, dict[int, Channel]] = defaultdict(dict)
    for chunk in in_chunks(ids):
        rows = select(ChannelMap).where(ChannelMap.clip_id.in_(chunk))
        for row in session.scalars(
            rows.options(joinedload(ChannelMap.microphone), joinedload(ChannelMap.person))
        ):
            said[row.clip_id][row.channel] = _said(row)
    people = list_known(session, clips[0].production, "person")
    microphones = _microphones(session, clips[0].production)
    return {
        clip_id: _with_suggestions(said[clip_id], facts[clip_id], microphones, people, vocabulary)
        for clip_id in ids
    }


def _said(row: ChannelMap) -> Channel:
    return Channel(
        row.channel,
        row.track,
        row.microphone.name if row.microphone else None,
        (row.microphone.kind or None) if row.microphone else None,
        row.person.name if row.person else None,
        row.source.value,
    )


def _with_suggestions(
    said: dict[int, Channel],
    facts: Sequence[TakeFacts],
    microphones: Sequence[Microphone],
    people: Sequence[Known],
    vocabulary: Vocabulary,
) -> list[Channel]:
    tracks = _tracks_of(facts)
    count = max((row.audio_channels or 0 for row in facts), default=0)
    found = dict(said)
    for channel in sorted({*tracks, *range(1, min(count, MOST_CHANNELS) + 1)} - set(found)):
        found[channel] = _suggest(channel, tracks.get(channel, ""), microphones, people, vocabulary)
    return [found[channel] for channel in sorted(found)]


def _suggest(
    channel: int,
    track: str,
    microphones: Sequence[Microphone],
    people: Sequence[Known],
    vocabulary: Vocabulary,
) -> Channel:
    """What a track's name gives away: a microphone of the kit list, a kind of one, a person's whole name."""
    microphone = _pick(microphones, track, vocabulary)
    kind = microphone.kind if microphone is not None and microphone.kind else _kind(track, vocabulary)
    words = set(fold_name(track).split())
    named = [one.names[0] for one in people if track and set(fold_name(one.names[0]).split()) <= words]
    return Channel(
        channel,
        track,
        None if microphone is None else microphone.name,
        kind,
        named[0] if len(named) == 1 else None,
        ChannelSource.FILE.value,
    )


def _facts_of_clips(session: Session, clip_ids: Iterable[int]) -> dict[int, list[TakeFacts]]:
    """The facts of each clip's essence files, in order."""
    found: dict[int, list[TakeFacts]] = defaultdict(list)
    for chunk in in_chunks(clip_ids):
        rows = session.execute(
            select(ClipFile.clip_id, TakeFacts)
            .join(TakeFacts, ClipFile.file_id == TakeFacts.file_id)
            .where(ClipFile.clip_id.in_(chunk), ClipFile.role == FileRole.ESSENCE)
            .order_by(ClipFile.clip_id, ClipFile.ordinal)
        )
        for clip_id, facts in rows:
            found[clip_id].append(facts)
    return found


def _tracks_of(facts: Sequence[TakeFacts]) -> dict[int, str]:
    """Track names by channel, as the first file gives them."""
    listed = facts[0].more.get("tracks") if facts else None
    return {
        one["channel"]: str(one.get("name") or one.get("function") or "")
        for one in (listed if isinstance(listed, list) else [])
        if isinstance(one, dict) and isinstance(one.get("channel"), int)
    }


def _microphones(session: Session, production: Production) -> list[Microphone]:
    return list(
        session.scalars(select(Microphone).filter_by(production_id=production.id).order_by(Microphone.id))
    )


def _kind(text: str, vocabulary: Vocabulary) -> str | None:
    try:
        return vocabulary.resolve("audio", text).code if text else None
    except UsageError:
        return None


def _pick(microphones: Sequence[Microphone], text: str, vocabulary: Vocabulary) -> Microphone | None:
    """The microphone with this name, or the only one of this kind."""
    if not text:
        return None
    by_name = [one for one in microphones if fold_name(one.name) == fold_name(text)]
    kind = _kind(text, vocabulary)
    by_kind = [one for one in microphones if kind is not None and one.kind == kind]
    found = by_name or by_kind
    return found[0] if len(found) == 1 else None


def _microphone(
    session: Session, production: Production, text: str, vocabulary: Vocabulary
) -> Microphone | None:
    if not text:
        return None
    microphones = _microphones(session, production)
    found = _pick(microphones, text, vocabulary)
    if found is not None:
        return found
    kind = _kind(text, vocabulary)
    several = [one.name for one in microphones if kind is not None and one.kind == kind]
    if several:
        raise UsageError(
            f"{show_short(text)} could be: {', '.join(several)}", remedy="Write the microphone's name."
        )
    label = next((term.label for term in vocabulary.terms("audio") if term.code == kind), text)
    return set_microphone(session, production, label, kind=kind or "")


def _person_id(session: Session, production: Production, name: str) -> int | None:
    if not name:
        return None
    known = list_known(session, production, "person")
    try:
        pick_known(known, "person", name)
    except UsageError:  # nobody of that name yet
        person = Person(production_id=production.id, name=name)
        session.add(person)
        session.flush()
        return person.id
    return pick_one(known, "person", name).id
