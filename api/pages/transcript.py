"""What is said in a clip, with the clip playing: cues play from their place and are corrected there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

from fastapi import APIRouter, Query, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import LARGEST_ID, RowId, ServiceDep
from api.handover.text import one_line, plain_text, short_name
from api.pages.clip import PartView, playable_parts
from api.pages.site import SiteDep
from api.reads.clips import read_clip
from api.reads.transcripts import cue_tag
from shared.catalogue.clip_places import place_text
from shared.catalogue.clip_rows import range_text
from shared.catalogue.transcripts import cues_of, is_unsure, transcripts_of
from shared.db import reading
from shared.models import ChangeSet, Clip, ClipCue, ClipMedia, Person
from shared.words import fold_name

router = APIRouter()

_WIDTH = 60  # characters of a line, where a browser does not fit the field to its text


@dataclass(frozen=True, slots=True)
class CueView:
    """`src`: what plays it, from second `at` to `end` of it; empty: nothing does.
    `begins`, `ends`: as `read_frame` reads them. `rows`: lines of text."""

    id: int
    place: str
    begins: str
    ends: str
    href: str
    src: str
    at: str
    end: str
    speaker: str
    person: str
    text: str
    rows: int
    corrected: bool
    unsure: bool
    tag: str


@dataclass(frozen=True, slots=True)
class SpeakerView:
    """A name as the sources write it, in how many cues here, and who that is where it is one person."""

    name: str
    cues: str
    person: str


@router.get("/clips/{id}/transcript")
def show_transcript(
    service: ServiceDep,
    site: SiteDep,
    id: RowId,
    done: Annotated[int | None, Query(ge=1, le=LARGEST_ID, description="The edit just made.")] = None,
) -> Response:
    with reading(service.sessions) as session:
        whole = read_clip(session, id)
        clip = whole.clip
        transcripts, cues = transcripts_of(session, id), cues_of(session, id)
        parts = [one for one in playable_parts(whole, service.settings) if one.plays]
        people = select(Person.name).where(Person.production_id == clip.production_id).order_by(Person.name)
        return site.render(
            "transcript.html",
            production=clip.production,
            clip=clip,
            name=short_name(clip),
            reel=one_line(clip.reel.name),
            sound=clip.media is ClipMedia.AUDIO,
            film=parts[0].plays if parts else "",
            sources=[
                one_line(f"{one.file_name} ({one.origin.value})" + (f", part {one.part}" if one.part else ""))
                for one in transcripts
            ],
            cues=[_view(one, clip, parts) for one in cues],
            speakers=_speakers(cues),
            people=[one_line(name) for name in session.scalars(people)],
            done=_done(session, clip, done),
        )


def _view(cue: ClipCue, clip: Clip, parts: Sequence[PartView]) -> CueView:
    part = next((one for one in reversed(parts) if one.first <= cue.start_frame), None)
    per_second = clip.per_second
    src, at, end = "", Fraction(0), Fraction(0)
    if part is not None and per_second:
        # Half a frame inside, so that no rounding lands in the frame before; a sound has no such edge.
        inside = Fraction(1, 2) if clip.rate is not None else 0
        src = part.plays
        at = (cue.start_frame - part.first + inside) / per_second
        end = (cue.end_frame - part.first) / per_second
    text = plain_text(cue.text)
    return CueView(
        id=cue.id,
        place=range_text(clip, cue.start_frame, None),
        begins=place_text(clip, cue.start_frame),
        ends=place_text(clip, cue.end_frame),
        # Without script a browser plays it by itself: a media fragment (W3C Media Fragments URI 1.0, 4.2.1).
        href=f"{src}#t={float(at):.3f},{float(end):.3f}" if src else f"#cue-{cue.id}",
        src=src,
        at=f"{float(at):.4f}",
        end=f"{float(end):.4f}",
        speaker=one_line(cue.speaker),
        person=cue.person.name if cue.person is not None else "",
        text=text,
        rows=sum(1 + len(line) // _WIDTH for line in text.split("\n")),
        corrected=cue.corrected,
        unsure=is_unsure(cue),
        tag=cue_tag(cue),
    )


def _done(session: Session, clip: Clip, number: int | None) -> tuple[int, str] | None:
    """An edit that can be taken back here: its number, and what it was. None: there is no such one."""
    edit = session.get(ChangeSet, number) if number is not None else None
    if edit is None or edit.production_id != clip.production_id:
        return None
    return edit.id, one_line(edit.summary)


def _speakers(cues: Sequence[ClipCue]) -> list[SpeakerView]:
    counts = Counter(fold_name(cue.speaker) for cue in cues if cue.speaker)
    found = []
    for key, count in counts.items():
        mine = [cue for cue in cues if fold_name(cue.speaker) == key]
        people = {cue.person.name if cue.person is not None else "" for cue in mine}
        said = f"{count} cue{'s' if count != 1 else ''}"
        found.append(SpeakerView(mine[0].speaker, said, people.pop() if len(people) == 1 else ""))
    return found
