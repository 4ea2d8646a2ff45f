"""What is said in the clips, as WebVTT (W3C) beside the shot log: one file a clip, its times from the clip's
beginning, exact to the frame and written to the millisecond."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from api.handover.folder import Draft
from api.handover.words import write_words
from shared.catalogue.chunks import in_chunks
from shared.models import Clip, ClipCue, ClipTranscript

FOLDER = "transcripts"
_LONGEST = 100  # characters of a name, for any drive


@dataclass(frozen=True, slots=True)
class Speech:
    """The words of one clip. `name`: of its file, below the hand-over."""

    name: str
    language: str
    cues: tuple[ClipCue, ...]


def read_speech(session: Session, clips: Iterable[Clip]) -> dict[int, Speech]:
    """By clip id; clips without a transcript have no key."""
    by_id = {clip.id: clip for clip in clips}
    languages: dict[int, str] = {}
    cues: dict[int, list[ClipCue]] = defaultdict(list)
    for chunk in in_chunks(by_id):
        parts = select(ClipTranscript.clip_id, ClipTranscript.language)
        for clip_id, language in session.execute(
            parts.where(ClipTranscript.clip_id.in_(chunk)).order_by(ClipTranscript.part)
        ):
            languages.setdefault(clip_id, language)
        rows = select(ClipCue).where(ClipCue.clip_id.in_(chunk)).options(joinedload(ClipCue.person))
        for cue in session.scalars(rows.order_by(ClipCue.clip_id, ClipCue.start_frame, ClipCue.id)):
            cues[cue.clip_id].append(cue)
    found: dict[int, Speech] = {}
    taken: set[str] = set()
    for clip_id, language in languages.items():
        name = _name(by_id[clip_id], taken)
        taken.add(name.lower())
        found[clip_id] = Speech(f"{FOLDER}/{name}", language, tuple(cues[clip_id]))
    return found


def _name(clip: Clip, taken: set[str]) -> str:
    """Reel and clip, with anything that a drive might refuse replaced."""
    base = re.sub(r"[^A-Za-z0-9_-]", "_", f"{clip.reel.name}_{clip.name.rpartition('/')[2]}")[:_LONGEST]
    return f"{base}.vtt" if f"{base}.vtt".lower() not in taken else f"{base}_{clip.id}.vtt"


def write_speech(draft: Draft, clips: Iterable[Clip], speech: Mapping[int, Speech]) -> None:
    for clip in clips:
        if (one := speech.get(clip.id)) is not None:
            text = write_words("webvtt", clip, one.cues, one.language)
            draft.write(one.name, text.encode("utf-8", "backslashreplace"))
