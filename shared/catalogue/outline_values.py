"""What people give of an outline's items, as values that the catalogue keeps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from sqlalchemy.orm import Session

from shared.catalogue.journal import Values
from shared.catalogue.plan import read_thresholds
from shared.catalogue.transcripts import cues_of, find_cue, speaker_name, text_hash, words_between
from shared.errors import UsageError
from shared.models import Clip, ClipMedia, ItemKind, Production
from shared.words import find_unusable

_LONGEST = 2000
_LONGEST_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Range:
    """A range of a clip, end exclusive, in the clip's own frames; None: from its first, up to its last. Of a
    photograph from 0 up to the milliseconds for which it stands."""

    clip: Clip
    first: int | None = None
    end: int | None = None
    speaker: str = ""


def range_of(
    session: Session,
    clip: Clip,
    first: int | None = None,
    end: int | None = None,
    *,
    seconds: Any = None,
    speaker: str = "",
) -> Range:
    """A range as people give it. `seconds`: for how long a photograph stands, exact, as a Fraction or a text;
    without them as long as the threshold `still-seconds` says. Raises UsageError."""
    if clip.media is not ClipMedia.IMAGE:
        if seconds is not None:
            raise UsageError(
                "only a photograph stands for seconds", path=clip.name, remedy="Give an in and an out."
            )
    elif seconds is not None:
        first, end = 0, _milliseconds(seconds)
    else:
        first = first or 0
        end = 1000 * read_thresholds(session, clip.production)["still-seconds"] if end is None else end
    return Range(clip, first, end, speaker)


def part_values(session: Session, given: Range, *, quoted: bool) -> Values:
    """A part of an item. `quoted`: with what the transcript says there now, and who says it.

    Raises UsageError for a range that is none, leaves the clip, or can't be placed in time.
    """
    first, end = check_range(given)
    words, speaker, digest = "", _line_of(given.speaker, "speaker"), ""
    if quoted:
        said = words_between(session, given.clip.id, first, end)
        words, digest = said.text, text_hash(said.text) if said.text else ""
        speaker = speaker or (said.speakers[0] if said.speakers else "")
    return {
        "clip": given.clip.id,
        "in": first,
        "out": end,
        "speaker": speaker,
        "words": words,
        "hash": digest,
    }


def cover_values(given: Range, at: int) -> Values:
    """Cover from edit frame `at` of its item on. Raises as `part_values`, and for a sound."""
    first, end = check_range(given)
    if given.clip.media is ClipMedia.AUDIO:
        raise UsageError("only a picture can lie over another", path=given.clip.name, remedy="Choose a clip.")
    if at < 0:
        raise UsageError(f"cover can't begin {-at} frames before its item", remedy="Write 0 or more.")
    return {"clip": given.clip.id, "in": first, "out": end, "at": at}


def check_range(given: Range) -> tuple[int, int]:
    """First frame and one past the last. Raises UsageError, naming the clip."""
    clip = given.clip
    if clip.media is ClipMedia.IMAGE:
        return _check_still(given)
    if clip.media not in (ClipMedia.VIDEO, ClipMedia.AUDIO) or not clip.per_second:
        raise UsageError(
            "it has no frames that could be placed in running time",
            path=clip.name,
            remedy="Choose a clip whose rate is known.",
        )
    first = 0 if given.first is None else given.first
    end = clip.frames if given.end is None else given.end
    if end is None:
        raise UsageError("its length is not known", path=clip.name, remedy="Give the frame after the last.")
    if not 0 <= first < end or (clip.frames is not None and end > clip.frames):
        has = f"it has frames 0 to {clip.frames}" if clip.frames is not None else "frames count from 0"
        raise UsageError(
            f"{first} to {end} is no range of it: {has}, the end exclusive", path=clip.name,
            remedy="Give an in and an out, in frames of the clip.",
        )  # fmt: skip
    return first, end


def _check_still(given: Range) -> tuple[int, int]:
    """From 0 up to the milliseconds for which it stands."""
    if given.first or given.end is None or not 0 < given.end <= _LONGEST_MS:
        raise UsageError(
            "a photograph has no in and out", path=given.clip.name,
            remedy="Say for how many seconds it stands, above 0 and below a day: 4.5.",
        )  # fmt: skip
    return 0, given.end


def plain_values(
    *, name: str | None = None, mood: str | None = None, note: str | None = None, seconds: Any = None
) -> Values:
    """Texts and a length; what is None is not named. `seconds`: exact, as a Fraction or a text. Raises
    UsageError."""
    values: Values = {}
    for field, text in (("name", name), ("mood", mood), ("note", note)):
        if text is not None:
            values[field] = _line_of(text, field)
    if seconds is not None:
        values["length_ms"] = _milliseconds(seconds)
    return values


def _milliseconds(seconds: Any) -> int:
    found = round(Fraction(seconds) * 1000)
    if not 0 < found <= _LONGEST_MS:
        raise UsageError("that is no length", remedy="Write seconds, above 0 and below a day: 4.5.")
    return found


def parts_for(session: Session, kind: ItemKind, ranges: Sequence[Range]) -> list[Values]:
    """The parts of an item of this kind, in order. Raises as `part_values`, and for a photograph where
    something is to be heard."""
    for one in ranges:
        if one.clip.media is ClipMedia.IMAGE and kind in (ItemKind.QUOTE, ItemKind.MUSIC):
            raise UsageError(
                "nothing is heard in a photograph", path=one.clip.name, remedy="Add it as a scene."
            )
    return [part_values(session, one, quoted=kind is ItemKind.QUOTE) for one in ranges]


def _line_of(text: str, what: str) -> str:
    if find_unusable(text) is not None or len(text) > _LONGEST:
        raise UsageError(
            f"{what} is too long or holds a control character", remedy=f"At most {_LONGEST} characters."
        )
    return " ".join(text.split())


def cue_ranges(
    session: Session, production: Production, numbers: Sequence[int], speaker: str = ""
) -> list[Range]:
    """Ranges of these cues, in the order of speaking: cues that follow one another become one range.

    Raises NotFoundError for an unknown cue, UsageError for cues of several clips.
    """
    chosen = [find_cue(session, production, number) for number in dict.fromkeys(numbers)]
    if not chosen:
        raise UsageError("no cue is chosen", remedy="Choose what is to be heard.")
    clip_ids = {cue.clip_id for cue in chosen}
    if len(clip_ids) > 1:
        raise UsageError("these cues are of several clips", remedy="Add a quote for each.")
    (clip_id,) = clip_ids
    wanted = {cue.id for cue in chosen}
    clip = session.get_one(Clip, clip_id)
    found: list[Range] = []
    follows = False
    for cue in cues_of(session, clip_id):
        if cue.id not in wanted:
            follows = False
            continue
        if follows and (found[-1].end or 0) <= cue.end_frame:
            found[-1] = Range(clip, found[-1].first, cue.end_frame, found[-1].speaker)
        else:
            found.append(Range(clip, cue.start_frame, cue.end_frame, speaker or speaker_name(cue)))
        follows = True
    return found
