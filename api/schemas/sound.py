"""Channels of a clip's sound, and matches of picture and sound."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Body, Shape, UsableText
from shared.catalogue import channels, pairs
from shared.models import ChannelSource, SyncMethod, SyncState


class Channel(Shape):
    channel: int = Field(description="Counted from 1, over all sound tracks in their order.")
    track: str = Field(description="What the recorder calls it.")
    microphone: str | None
    kind: str | None = Field(description="Kind of microphone: a code of the vocabulary's `audio`.")
    person: str | None
    source: ChannelSource = Field(description="`log`: a person said so; `file`: the file suggests it.")


class ChannelBody(Body):
    microphone: Annotated[UsableText, Field(max_length=200)] = ""
    person: Annotated[UsableText, Field(max_length=200)] = ""


class Pair(Shape):
    """The moment `p` seconds into the picture is sample offset_samples + p · rate · (1 + drift_ppb / 10⁹)."""

    picture: str
    picture_id: int
    sound: str
    sound_id: int
    overlap_ms: int
    offset_samples: int | None
    offset: str | None = Field(description="The same as ±HH:MM:SS.mmm, a label.")
    rate: int = Field(description="Samples a second of the sound.")
    drift_ppb: int | None = Field(description="Null: too short to tell.")
    confidence: float = Field(description="0 to 1: how far it stands above the next best place.")
    method: SyncMethod
    state: SyncState


def channel_shape(row: channels.Channel) -> Channel:
    return Channel(**row.as_json())


def pair_shape(row: pairs.PairRow) -> Pair:
    return Pair(**row.as_json())
