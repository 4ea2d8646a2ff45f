"""Transcripts as they stand in the catalogue: a clip's cues, and what was said in a range of it."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from shared.errors import NotFoundError, UsageError
from shared.models import Clip, ClipCue, ClipMedia, ClipTranscript, Production
from shared.timecode import Rate
from shared.transcripts import Cue, Word
from shared.transcripts.model import frame_start

UNSURE = 0.5  # mean confidence of a cue's words below which it is marked. Common practice, no source.


@dataclass(frozen=True, slots=True)
class Spoken:
    """What was said in a range of a clip. `exact`: to the word; else whole cues stand where a cue without
    times of its words is only partly in the range. `cues`: the numbers of the cues that it comes from.
    """

    text: str
    speakers: tuple[str, ...]  # as people of the production where they are known, in the order of speaking
    exact: bool
    cues: tuple[int, ...]


def transcripts_of(session: Session, clip_id: int) -> list[ClipTranscript]:
    """The clip's transcript, or those of its parts, in order."""
    rows = select(ClipTranscript).where(ClipTranscript.clip_id == clip_id)
    return list(session.scalars(rows.order_by(ClipTranscript.part)))


def cues_of(session: Session, clip_id: int) -> list[ClipCue]:
    """Every cue of a clip in the order of speaking, with its person. Frames count from the clip's first."""
    rows = select(ClipCue).where(ClipCue.clip_id == clip_id).options(joinedload(ClipCue.person))
    return list(session.scalars(rows.order_by(ClipCue.start_frame, ClipCue.id)))


def words_between(session: Session, clip_id: int, start: int, end: int) -> Spoken:
    """What was said from frame `start` up to, not including, `end`, counted from the clip's first.

    A word belongs to the range that its middle is in, so that two ranges side by side never share one. A cue
    without times of its words belongs to every range that it reaches into.
    """
    rows = (
        select(ClipCue)
        .where(ClipCue.clip_id == clip_id, ClipCue.start_frame < end, ClipCue.end_frame > start)
        .options(joinedload(ClipCue.person))
        .order_by(ClipCue.start_frame, ClipCue.id)
    )
    return spoken_between(session.scalars(rows), start, end)


def spoken_between(cues: Iterable[ClipCue], start: int, end: int) -> Spoken:
    """As `words_between`, of cues that were read already, in the order of speaking."""
    texts: list[str] = []
    used: list[ClipCue] = []
    exact = True
    for cue in cues:
        if cue.start_frame >= end or cue.end_frame <= start:
            continue
        if cue.spoken is None:
            exact = exact and start <= cue.start_frame and cue.end_frame <= end
            text = cue.text
        else:
            inside = [word[0] for word in cue.spoken if 2 * start <= word[1] + word[2] < 2 * end]
            text = cue.text if len(inside) == len(cue.spoken) else " ".join(inside)
        if text:
            texts.append(text)
            used.append(cue)
    speakers = dict.fromkeys(name for cue in used if (name := speaker_name(cue)))
    return Spoken(" ".join(texts), tuple(speakers), exact, tuple(cue.id for cue in used))


def speaker_name(cue: ClipCue) -> str:
    """Who speaks: the person where one was named, else the name as the source writes it; "": nobody knows."""
    return cue.person.name if cue.person is not None else cue.speaker


def is_unsure(cue: ClipCue) -> bool:
    """Whether a program wrote these words that was hardly sure of them: a person should read them first."""
    return cue.confidence_mean is not None and cue.confidence_mean < UNSURE


def text_hash(text: str) -> str:
    """SHA-256 in hexadecimal over the text in NFC (Unicode Standard Annex 15) with runs of white space as one
    blank: who stores it beside a quote can tell later whether the words were corrected since."""
    plain = " ".join(unicodedata.normalize("NFC", text).split())
    return hashlib.sha256(plain.encode("utf-8", "surrogatepass")).hexdigest()


def frames_a_second(clip: Clip) -> Rate | Fraction:
    """What the clip's frames count: pictures a second at which it plays, or samples of a sound.

    Raises UsageError for a clip whose rate nobody knows, and for a photograph.
    """
    if clip.media is ClipMedia.IMAGE:
        raise UsageError("nobody speaks in a photograph", path=clip.name, remedy="Name another clip.")
    found = clip.rate or clip.per_second
    if found is None:
        raise UsageError(
            "its frame rate is not known, so no word can be tied to a frame",
            path=clip.name,
            remedy="See what `rushlight findings` says of the clip's file.",
        )
    return found


def timed_cues(clip: Clip, cues: Sequence[ClipCue]) -> list[Cue]:
    """Cues with the real time since the beginning of the clip, made from their frames: for files that others
    read beside the clip."""
    rate = frames_a_second(clip)
    return [
        Cue(
            frame_start(cue.start_frame, rate),
            frame_start(cue.end_frame, rate),
            cue.text,
            speaker_name(cue) or None,
            tuple(
                Word(frame_start(first, rate), frame_start(end, rate), text)
                for text, first, end, *_ in cue.spoken or ()
            ),
        )
        for cue in cues
    ]


def find_cue(session: Session, production: Production, number: int) -> ClipCue:
    """Raises NotFoundError."""
    cue = session.get(ClipCue, number)
    if cue is None or cue.transcript.clip.production_id != production.id:
        raise NotFoundError(
            f"{production.name} has no cue {number}",
            remedy="List a clip's with `rushlight transcript show CLIP`.",
        )
    return cue
