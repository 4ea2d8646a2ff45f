"""What is on the channels of a clip's sound, and the sound recordings that belong to a picture."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import CallerDep, RowId, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.reads.clips import check_clip
from api.schemas.base import Listing
from api.schemas.sound import Channel, ChannelBody, Pair, channel_shape, pair_shape
from shared import models
from shared.catalogue.beside_edits import edit_channels
from shared.catalogue.channels import MOST_CHANNELS, SetChannel, list_channels
from shared.catalogue.log import production_vocabulary
from shared.catalogue.pairs import confirm_pair, pair_rows, pairs_of
from shared.db import reading, writing
from shared.errors import NotFoundError
from shared.vocabulary import Vocabulary

router = APIRouter(prefix="/clips/{id}", tags=["sound"])

ChannelNumber = Annotated[int, Path(ge=1, le=MOST_CHANNELS, description="Channels count from 1.")]
SoundId = Annotated[int, Path(ge=1, le=2**63 - 1, description="The sound recording's clip.")]


@router.get(
    "/channels",
    summary="List the channels of a clip's sound",
    description="What a person said of each, else what the file calls it, as a suggestion.",
    responses={404: {}},
)
def list_clip_channels(service: ServiceDep, id: RowId, response: Response) -> Listing[Channel]:
    with reading(service.sessions) as session:
        check_clip(session, id)
        clip = session.get_one(models.Clip, id)
        vocabulary = production_vocabulary(session, clip.production, service.vocabulary)
        return _answer(session, clip, vocabulary, response)


@router.put(
    "/channels/{channel}",
    summary="Say what is on a channel",
    description="A microphone by its name or its kind, and a person; who or what does not exist yet is made. "
    "Both empty: nothing is said of it any more. `If-Match` must hold the ETag of the list that was read.",
    responses={404: {}, 412: {}, 428: {}},
)
def put_channel(
    service: ServiceDep,
    id: RowId,
    channel: ChannelNumber,
    body: ChannelBody,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Listing[Channel]:
    with writing(service.sessions) as session:
        clip = session.scalar(select(models.Clip).where(models.Clip.id == id).with_for_update())
        if clip is None:
            raise NotFoundError(f"there is no clip {id}", remedy="Find it by its name or its day.")
        vocabulary = production_vocabulary(session, clip.production, service.vocabulary)
        standing = _answer(session, clip, vocabulary, response)
        check_if_match(if_match, response.headers["ETag"], lambda: standing)
        said = SetChannel(channel, " ".join(body.microphone.split()), " ".join(body.person.split()))
        edit_channels(session, clip.production, [clip], [said], vocabulary, caller.name)
        return _answer(session, clip, vocabulary, response)


@router.get(
    "/pairs",
    summary="List the matches of picture and sound that a clip is part of",
    description="As the comparison of their sound found them, `rushlight sync`.",
    responses={404: {}},
)
def list_clip_pairs(service: ServiceDep, id: RowId) -> Listing[Pair]:
    with reading(service.sessions) as session:
        check_clip(session, id)
        return Listing[Pair](items=[pair_shape(row) for row in pairs_of(session, [id])])


@router.post(
    "/pairs/{sound}/confirm",
    summary="Say that a match of picture and sound is right",
    description="The clip is the picture. A match that a person confirmed is never measured over.",
    responses={404: {}, 409: {}},
)
def confirm_clip_pair(service: ServiceDep, id: RowId, sound: SoundId) -> Pair:
    with writing(service.sessions) as session:
        for key in (id, sound):
            check_clip(session, key)
        picture, heard = session.get_one(models.Clip, id), session.get_one(models.Clip, sound)
        (row,) = pair_rows(session, [confirm_pair(session, picture, heard).id])
        return pair_shape(row)


def _answer(
    session: Session, clip: models.Clip, vocabulary: Vocabulary, response: Response
) -> Listing[Channel]:
    channels = list_channels(session, clip, vocabulary)
    response.headers["ETag"] = content_tag(clip.id, *channels)
    response.headers["Cache-Control"] = "private, no-cache"
    return Listing[Channel](items=[channel_shape(one) for one in channels])
