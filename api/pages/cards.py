"""Clips as small pictures with what is known of them: the same on every page."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.orm import Session

from api.handover.text import one_line, plain_text, say_length, short_name
from api.reads.clips import read_finding_codes, read_stills
from api.reads.stills import still_link
from shared import models
from shared.catalogue.clip_rows import clip_seconds, range_text
from shared.catalogue.excerpts import Excerpt, Piece
from shared.models import LogEntry, Production, StillKind
from shared.vocabulary import Vocabulary

# What a person looks for first, in the order in which it is said.
_FIRST_WORDS = ("rating", "kind", "size", "movement")
_LONGEST_NOTE = 140


@dataclass(frozen=True, slots=True)
class StillView:
    """`href`: the picture as it was taken, `width` × `height` pixels."""

    href: str
    width: int
    height: int
    alt: str
    frame: int | None = None  # counted from the clip's first

    def sized(self, width: int) -> str:
        """Its address in one of the widths that are kept, see `api.reads.stills`."""
        return f"{self.href}{'&' if '?' in self.href else '?'}w={width}"


@dataclass(frozen=True, slots=True)
class HeardView:
    """Where what was looked for is heard: the place, its address, and the words around it in pieces."""

    href: str
    place: str
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class ClipCard:
    """A clip at a glance. `words`: terms by their labels; `about`: who or what, or the note's beginning."""

    id: int
    href: str
    name: str
    reel: str
    time: str
    start: str
    length: str
    camera: str
    words: tuple[str, ...]
    about: str
    findings: int
    still: StillView | None
    heard: HeardView | None = None


def show_cards(
    session: Session,
    production: Production,
    clips: Sequence[models.Clip],
    entries: Mapping[int, LogEntry],
    vocabulary: Vocabulary,
    stills_folder: Path,
) -> list[ClipCard]:
    """Cards of these clips in their order; the number of statements does not grow with the clips."""
    ids = [clip.id for clip in clips]
    stills = read_stills(session, ids)
    findings = read_finding_codes(session, ids)
    zone = zoneinfo.ZoneInfo(production.zone)
    return [
        ClipCard(
            id=clip.id,
            href=f"/clips/{clip.id}",
            name=short_name(clip),
            reel=clip.reel.name,
            time=say_time(clip.shot_at, zone),
            start=str(clip.start_timecode or ""),
            length=say_length(seconds) if (seconds := clip_seconds(clip)) is not None else "",
            camera=clip.camera.letter if clip.camera is not None else "",
            words=tuple(label for _, label in term_labels(entries.get(clip.id), vocabulary, _FIRST_WORDS)),
            about=_about(entries.get(clip.id)),
            findings=len(findings.get(clip.id, ())),
            still=_middle_still(stills.get(clip.id, ()), short_name(clip), stills_folder),
        )
        for clip in clips
    ]


def show_heard(clip: models.Clip, excerpts: Sequence[Excerpt]) -> HeardView | None:
    """The place of the first excerpt that is heard; none: what was found is not spoken."""
    for one in excerpts:
        if one.cue is not None and one.frame is not None:
            # On one line, with the blanks at the ends of a piece kept.
            pieces = tuple(Piece(plain_text(p.text).replace("\n", " "), p.hit) for p in one.pieces)
            place = range_text(clip, one.frame, None)
            return HeardView(f"/clips/{clip.id}/transcript#cue-{one.cue}", place, pieces)
    return None


def say_time(at: dt.datetime | None, zone: dt.tzinfo) -> str:
    """Wall clock of the production; empty when unknown."""
    return "" if at is None else f"{at.astimezone(zone):%H:%M:%S}"


def term_labels(
    entry: LogEntry | None, vocabulary: Vocabulary, fields: Sequence[str]
) -> list[tuple[str, str]]:
    """(field, label) of the terms an entry has. A code the vocabulary does not know stands for itself."""
    found = []
    for field in fields:
        code = getattr(entry, field) if entry is not None else None
        if code:
            labels = {term.code: term.label for term in vocabulary.terms(field)}
            found.append((field, labels.get(code, code)))
    return found


def show_still(still: models.Still, name: str, folder: Path) -> StillView:
    alt = {
        StillKind.FRAME: f"Frame {still.frame} of {name}" if still.frame is not None else f"Frame of {name}",
        StillKind.WAVEFORM: f"Waveform of {name}",
        StillKind.PLACEHOLDER: f"No picture could be taken of {name}",
    }[still.kind]
    return StillView(still_link(folder, still), still.width, still.height, alt, still.frame)


def _middle_still(stills: Sequence[models.Still], name: str, folder: Path) -> StillView | None:
    return show_still(stills[len(stills) // 2], name, folder) if stills else None


def _about(entry: LogEntry | None) -> str:
    if entry is None:
        return ""
    text = one_line(entry.subject or entry.note) or ", ".join(person.name for person in entry.people)
    return text if len(text) <= _LONGEST_NOTE else text[: _LONGEST_NOTE - 1] + "…"
