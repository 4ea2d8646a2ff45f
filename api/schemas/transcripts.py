"""Transcripts: what is sent and shown of the words of a clip."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from api.schemas.base import Body, Shape, UsableText, shown
from api.schemas.edits import LARGEST_FRAME
from shared import models
from shared.catalogue.transcript_edits import LONGEST_NAME, LONGEST_TEXT
from shared.catalogue.transcript_import import Import
from shared.catalogue.transcripts import UNSURE, is_unsure

Frame = Annotated[int, Field(ge=0, le=LARGEST_FRAME)]


class SpokenWord(Shape):
    """A word with its frames; the end is exclusive."""

    text: str
    start: int
    end: int


class Confidence(Shape):
    """How sure a recogniser was of a cue's words, 0 to 1: its own number, checked by nobody."""

    mean: float
    least: float = Field(description="Of the word that it was least sure of.")


class Cue(Shape):
    """A stretch of speech. Frames count from the clip's first; the end is exclusive."""

    id: int
    clip: int
    transcript: int
    start: int
    end: int
    text: str
    speaker: str = Field(description='The name as the source writes it; "": it names nobody.')
    person: str | None = Field(description="Who that is; null: nobody said.")
    corrected: bool = Field(description="Whether a person changed its words or its times.")
    words: list[SpokenWord] | None = Field(description="With their times; null: no word has one.")
    confidence: Confidence | None = Field(
        description="Of the program that wrote the words; null: none did, or a person has corrected them."
    )
    unsure: bool = Field(description=f"Whether the mean confidence is below {UNSURE}.")


class TranscriptPart(Shape):
    """Where words of a clip came from: one for the whole clip, or one for each of its parts."""

    id: int
    part: int = Field(description="Of the clip's files, from 1; 0: the whole clip.")
    offset: int = Field(description="Frames of the clip before this part.")
    language: str
    file_name: str
    file_hash: str
    origin: models.TranscriptOrigin
    created_at: dt.datetime


class Transcript(Shape):
    clip: int
    parts: list[TranscriptPart]
    cues: list[Cue] = Field(description="In the order of speaking, those of all parts together.")


class TranscriptBody(Body):
    """The text of a file: WebVTT, SRT, plain text with times, or JSON with times in seconds; which one is
    told from what it holds."""

    text: Annotated[str, Field(min_length=1, max_length=1_000_000)]
    file_name: Annotated[UsableText, Field(min_length=1, max_length=255)] = "transcript"
    part: Annotated[int, Field(ge=0, le=9999)] = 0
    language: Annotated[UsableText, Field(max_length=64)] = ""
    replace: bool = Field(default=False, description="Take the place of the one there; needs `If-Match`.")
    preview: bool = Field(default=False, description="Only say what would change.")


class Replaced(Shape):
    """A transcript that is there, and what of it a person made."""

    part: int
    file_name: str
    cues: int
    corrected: int
    named: int


class ImportResult(Shape):
    """`state`: "new", "same" (these very bytes are there already: nothing changed), "replaces"."""

    state: Literal["new", "same", "replaces"]
    cues: int
    speakers: list[str]
    warnings: list[str]
    standing: list[Replaced]
    change: int | None = Field(default=None, description="The journal's entry; null: nothing was written.")


class CuePatch(Body):
    """What is not named stays."""

    text: Annotated[UsableText, Field(min_length=1, max_length=LONGEST_TEXT)] | None = None
    start: Frame | None = None
    end: Frame | None = None
    person: Annotated[UsableText, Field(max_length=LONGEST_NAME)] | None = Field(
        default=None, description='Who speaks, made where there is none of that name; "": nobody said.'
    )
    everywhere: bool = Field(
        default=False, description="Name them in every cue of the production with this cue's speaker."
    )


class SplitBody(Body):
    """One of the two at least."""

    words: Annotated[int, Field(ge=1, le=LONGEST_TEXT)] | None = Field(
        default=None,
        description="How many words stay in the first part; else those that are said before `frame`.",
    )
    frame: Frame | None = Field(
        default=None, description="Where the second begins; else where its word does."
    )


class Cues(Shape):
    items: list[Cue]


def cue_shape(row: models.ClipCue) -> Cue:
    return Cue(
        id=row.id,
        clip=row.clip_id,
        transcript=row.transcript_id,
        start=row.start_frame,
        end=row.end_frame,
        text=shown(row.text),
        speaker=shown(row.speaker),
        person=row.person.name if row.person is not None else None,
        corrected=row.corrected,
        words=None
        if row.spoken is None
        else [SpokenWord(text=shown(one[0]), start=one[1], end=one[2]) for one in row.spoken],
        confidence=None
        if row.confidence_mean is None or row.confidence_least is None
        else Confidence(mean=row.confidence_mean, least=row.confidence_least),
        unsure=is_unsure(row),
    )


def transcript_shape(
    clip_id: int, parts: Sequence[models.ClipTranscript], cues: Sequence[models.ClipCue]
) -> Transcript:
    return Transcript(
        clip=clip_id,
        parts=[
            TranscriptPart(
                id=one.id,
                part=one.part,
                offset=one.offset_frames,
                language=one.language,
                file_name=shown(one.file_name),
                file_hash=one.file_hash,
                origin=one.origin,
                created_at=one.created_at,
            )
            for one in parts
        ],
        cues=[cue_shape(one) for one in cues],
    )


def import_shape(wanted: Import, change: int | None = None) -> ImportResult:
    return ImportResult(
        state="same" if wanted.same else "replaces" if wanted.standing else "new",
        cues=len(wanted.cues),
        speakers=[shown(name) for name in wanted.speakers],
        warnings=list(wanted.warnings),
        standing=[
            Replaced(
                part=one.transcript.part,
                file_name=shown(one.transcript.file_name),
                cues=one.cues,
                corrected=one.corrected,
                named=one.named,
            )
            for one in wanted.standing
        ],
        change=change,
    )
