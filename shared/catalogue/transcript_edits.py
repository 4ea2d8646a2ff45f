"""What people do with a transcript: correct words, part and join cues, move them, say who speaks.

Everything goes through the journal and can be taken back. Words that stay the same keep their times: see
`shared/transcripts/align.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select

from shared.catalogue.journal import Values
from shared.catalogue.log import same_name
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_rows import CONFIDENCE, CUE, TRANSCRIPT, next_cue_ids
from shared.catalogue.transcripts import frames_a_second
from shared.errors import NotFoundError, UsageError
from shared.models import Clip, ClipCue, ClipTranscript
from shared.transcripts.align import TimedWord, realign, spread, stretch
from shared.transcripts.model import frame_start
from shared.words import find_unusable, show_short

LONGEST_TEXT = 10_000  # characters of a cue
LONGEST_NAME = 200
_FURTHEST = 10**12  # frames of a clip whose length nobody knows


def correct(edit: RowsEdit, cue: ClipCue, text: str) -> ClipCue:
    """Give a cue another text. Raises UsageError for one that is none."""
    words = _check_text(text)
    if words == cue.text:
        return cue
    values: Values = {"text": words, "corrected": True, **dict.fromkeys(CONFIDENCE)}
    if cue.spoken is not None:
        timed = realign(_timed(cue), words, cue.start_frame, cue.end_frame)
        values["spoken"] = _listed(timed)
    return _put(edit, cue, values)


def split(
    edit: RowsEdit, cue: ClipCue, words: int | None, frame: int | None = None
) -> tuple[ClipCue, ClipCue]:
    """Part a cue after so many words. `frame`: where the second begins; without it where its first word does,
    or in proportion to the characters where no word has a time. `words` None: after those of which more than
    half is said before `frame`, and one at least on either side. Raises UsageError."""
    tokens = cue.text.split()
    timed = _timed(cue) if cue.spoken is not None else spread(tokens, cue.start_frame, cue.end_frame)
    if words is None and frame is not None:
        said = sum(word.start + word.end < 2 * frame for word in timed)
        words = min(max(said, 1), len(tokens) - 1)
    if words is None or not 0 < words < len(tokens):
        count = f"{len(tokens)} word{'s' if len(tokens) != 1 else ''}"
        raise UsageError(
            f"the cue has {count} and can't be parted after {words or 0}",
            remedy="Each part needs a word at least: put the cursor between two words.",
        )
    at = frame if frame is not None else timed[words].start
    if frame is None:  # words at the very edges leave the other part no frame
        at = min(max(at, cue.start_frame + 1), cue.end_frame - 1)
    if not cue.start_frame < at < cue.end_frame:
        raise UsageError(
            f"frame {at} is not inside the cue, which has {cue.start_frame} to {cue.end_frame}",
            remedy="Name a frame between its first and its last.",
        )
    first, second = timed[:words], timed[words:]
    microseconds = _microseconds(cue, at)
    halves: list[Values] = [
        {"text": " ".join(tokens[:words]), "end_frame": at, "end_us": microseconds},
        {"text": " ".join(tokens[words:]), "start_frame": at, "start_us": microseconds},
    ]
    if cue.spoken is not None:
        halves[0]["spoken"] = _listed(_within(first, cue.start_frame, at))
        halves[1]["spoken"] = _listed(_within(second, at, cue.end_frame))
    whole = CUE.read(edit.session, cue) | {"corrected": True}
    (number,) = next_cue_ids(edit.session, 1)
    kept = _put(edit, cue, halves[0] | {"corrected": True})
    made = edit.put(CUE, number, whole | halves[1])
    assert isinstance(made, ClipCue)
    return kept, made


def join(edit: RowsEdit, cue: ClipCue) -> ClipCue:
    """Make one of a cue and the next of its transcript. Raises UsageError where there is none, or where
    somebody else speaks in it."""
    after = edit.session.scalar(
        select(ClipCue)
        .where(
            ClipCue.transcript_id == cue.transcript_id,
            (ClipCue.start_frame > cue.start_frame)
            | ((ClipCue.start_frame == cue.start_frame) & (ClipCue.id > cue.id)),
        )
        .order_by(ClipCue.start_frame, ClipCue.id)
        .limit(1)
    )
    if after is None:
        raise UsageError("no cue follows this one", remedy="Join the one before it instead.")
    if (cue.person_id, cue.speaker) != (after.person_id, after.speaker):
        raise UsageError(
            "somebody else speaks in the next cue",
            remedy="Say of both that the same person speaks, then join them.",
        )
    text = f"{cue.text.rstrip()} {after.text.lstrip()}".strip()
    if len(text) > LONGEST_TEXT:
        raise UsageError("together they are too long for one cue", remedy="Leave them apart.")
    values: Values = {
        "text": text,
        "end_frame": max(cue.end_frame, after.end_frame),
        "end_us": max(cue.end_us, after.end_us),
        "corrected": True,
        **_joined_confidence(cue, after),
    }
    if cue.spoken is not None or after.spoken is not None:
        values["spoken"] = _listed([*_all_timed(cue), *_all_timed(after)])
    edit.remove(CUE, after)
    return _put(edit, cue, values)


def move(edit: RowsEdit, cue: ClipCue, start: int, end: int) -> ClipCue:
    """Give a cue other frames, the end exclusive; its words go with it, in proportion. Raises UsageError."""
    clip = edit.session.get_one(Clip, cue.clip_id)
    if start < 0 or end <= start or end > (clip.frames if clip.frames is not None else _FURTHEST):
        length = f", and the clip has {clip.frames}" if clip.frames is not None else ""
        raise UsageError(
            f"{start} to {end} is no range of the clip", remedy=f"In comes first, and out after it{length}."
        )
    old = (cue.start_frame, cue.end_frame)
    if old == (start, end):
        return cue
    values: Values = {
        "start_frame": start,
        "end_frame": end,
        "start_us": _microseconds(cue, start),
        "end_us": _microseconds(cue, end),
        "corrected": True,
    }
    if cue.spoken is not None:
        values["spoken"] = _listed(stretch(_timed(cue), old, (start, end)))
    return _put(edit, cue, values)


def name_speaker(edit: RowsEdit, cues: Sequence[ClipCue], person: str) -> int:
    """Say who speaks in these cues: a person of the production, made where there is none of that name; an
    empty name takes back what was said. The name as the source writes it stays. Returns how many differed."""
    name = " ".join(person.split())
    if len(name) > LONGEST_NAME or find_unusable(name) is not None:
        raise UsageError(f"{show_short(name)} is no name", remedy=f"1 to {LONGEST_NAME} characters.")
    changed = 0
    for cue in cues:
        standing = cue.person.name if cue.person is not None else ""
        if same_name(standing) != same_name(name):
            edit.put(CUE, cue.id, {"person": name or None})
            changed += 1
    return changed


def cues_spoken_by(edit: RowsEdit, speaker: str) -> list[ClipCue]:
    """Every cue of the production under this name as its source writes it, whatever the case.

    Raises NotFoundError that lists the names there are.
    """
    mine = (
        select(ClipCue).join(Clip, Clip.id == ClipCue.clip_id).where(Clip.production_id == edit.production.id)
    )
    names = set(edit.session.scalars(mine.with_only_columns(ClipCue.speaker).distinct())) - {""}
    meant = [name for name in names if same_name(name) == same_name(speaker)]
    if not meant:
        there = ", ".join(sorted(names)[:20])
        raise NotFoundError(
            f"nobody is called {show_short(speaker)} in the transcripts of {edit.production.name}",
            remedy=f"The names are: {there}."
            if there
            else "Their sources name nobody: name cues one by one.",
        )
    rows = mine.where(ClipCue.speaker.in_(meant)).order_by(ClipCue.clip_id, ClipCue.start_frame, ClipCue.id)
    return list(edit.session.scalars(rows))


def remove_transcript(edit: RowsEdit, transcript: ClipTranscript) -> None:
    """Take a transcript away with all its cues; an undo brings them back, corrections included."""
    edit.remove(TRANSCRIPT, transcript)


# -- below ------------------------------------------------------------------------------------------


def _put(edit: RowsEdit, cue: ClipCue, values: Values) -> ClipCue:
    made = edit.put(CUE, cue.id, values)
    assert isinstance(made, ClipCue)
    return made


def _check_text(text: str) -> str:
    words = "\n".join(line for one in text.splitlines() if (line := " ".join(one.split())))
    if not words:
        raise UsageError("a cue needs words", remedy="To take it away, join it with the one before it.")
    if find_unusable(words) is not None or len(words) > LONGEST_TEXT:
        raise UsageError(
            "the text is too long or holds a control character", remedy=f"{LONGEST_TEXT} characters at most."
        )
    return words


def _timed(cue: ClipCue) -> list[TimedWord]:
    return [TimedWord(*word) for word in cue.spoken or ()]


def _joined_confidence(cue: ClipCue, after: ClipCue) -> Values:
    """Of both by their number of words; of one of which nothing is said, what the other has."""
    known = [one for one in (cue, after) if one.confidence_mean is not None]
    if not known:
        return dict.fromkeys(CONFIDENCE)
    words = [len(one.text.split()) for one in known]
    means = [one.confidence_mean or 0.0 for one in known]
    mean = sum(mean * count for mean, count in zip(means, words, strict=True)) / max(1, sum(words))
    least = min(one.confidence_least or 0.0 for one in known)
    return dict(zip(CONFIDENCE, (round(mean, 4), least), strict=True))


def _all_timed(cue: ClipCue) -> list[TimedWord]:
    if cue.spoken is not None:
        return _timed(cue)
    return spread(cue.text.split(), cue.start_frame, cue.end_frame)


def _within(words: Sequence[TimedWord], start: int, end: int) -> list[TimedWord]:
    return [
        TimedWord(
            *(word.text, min(max(word.start, start), end), min(max(word.end, start), end)),
            *(word.start_us, word.end_us),
        )
        for word in words
    ]  # fmt: skip


def _listed(words: Sequence[TimedWord]) -> list[Any]:
    return [[word.text, word.start, word.end, word.start_us, word.end_us] for word in words]


def _microseconds(cue: ClipCue, frame: int) -> int:
    """Of the medium that the transcript is of, whose beginning may lie inside the clip."""
    transcript = cue.transcript
    return frame_start(max(0, frame - transcript.offset_frames), frames_a_second(transcript.clip))
