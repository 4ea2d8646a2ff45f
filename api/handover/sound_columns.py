"""Columns of the shot log about sound: who is on which channel, and what it was found to be in sync with."""

from __future__ import annotations

from collections.abc import Iterator

from api.handover.cells import Value
from api.handover.shots import Shot
from shared.catalogue.channels import Channel
from shared.catalogue.pairs import PairRow
from shared.models import ChannelSource, ClipMedia, SyncMethod


def say_people(shot: Shot) -> Value:
    """Whom the log names for the clip, and whom it names on one of its channels; each once."""
    logged = [person.name for person in shot.entry.people] if shot.entry is not None else []
    heard = [one.person for one in shot.channels if one.person and _is_logged(one)]
    return tuple(sorted(dict.fromkeys((*logged, *heard)), key=str.casefold)) or None


def say_channels(shot: Shot) -> Value:
    """Each channel with its microphone and the person on it; what only the file suggests is marked so."""
    return tuple(said for one in shot.channels if (said := _say_channel(one))) or None


def _is_logged(channel: Channel) -> bool:
    return channel.source == ChannelSource.LOG.value


def _say_channel(channel: Channel) -> str:
    known = (channel.microphone or channel.kind, channel.person)
    said = ", ".join(part for part in known if part)
    if _is_logged(channel):
        return f"{channel.channel}: {said}"
    said = said or channel.track
    return f"{channel.channel}: {said} (by the file)" if said else ""


def say_pairs(shot: Shot) -> Value:
    """What the clip's sound was found to match: the offset is that of the picture in the sound file."""
    return tuple(_say_pairs(shot)) or None


def _say_pairs(shot: Shot) -> Iterator[str]:
    for pair in shot.pairs:
        other = pair.picture if shot.clip.media is ClipMedia.AUDIO else pair.sound
        yield f"{other}: picture at {pair.offset_text} of the sound ({_say_state(pair)})"


def _say_state(pair: PairRow) -> str:
    by = "" if pair.method == SyncMethod.SOUND.value else ", by the clocks alone"
    return f"{pair.state}{by}"
