"""A file of timed words becomes a clip's transcript: looked at first, then kept through the journal."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_rows import CONFIDENCE, TRANSCRIPT
from shared.catalogue.transcripts import frames_a_second, transcripts_of
from shared.errors import ConflictError, UsageError
from shared.models import Clip, ClipCue, ClipFile, ClipTranscript, FileRole, TakeFacts, TranscriptOrigin
from shared.timecode import Timecode
from shared.transcripts import Cue, Transcript, read_transcript
from shared.transcripts.model import MICRO, nearest_frame
from shared.words import find_unusable

_BEYOND = 2 * MICRO  # words that begin up to here after the end are still the clip's: a recogniser's slack


@dataclass(frozen=True, slots=True)
class Standing:
    """A transcript that is there, and what would go with it."""

    transcript: ClipTranscript
    cues: int
    corrected: int  # cues that a person corrected
    named: int  # cues whose speaker a person named


@dataclass(frozen=True, slots=True)
class Import:
    """What an import would do. `same`: these very bytes are the clip's transcript already. `cues`: rows of
    the table `cue` to be, in the order of speaking."""

    clip: Clip
    part: int
    offset_frames: int
    language: str
    file_name: str
    file_hash: str
    origin: TranscriptOrigin
    cues: tuple[dict[str, Any], ...]
    speakers: tuple[str, ...]
    warnings: tuple[str, ...]
    standing: tuple[Standing, ...]

    @property
    def same(self) -> bool:
        return any(
            one.transcript.file_hash == self.file_hash and one.transcript.part == self.part
            for one in self.standing
        )


def plan_import(
    session: Session,
    clip: Clip,
    content: bytes,
    file_name: str,
    *,
    part: int = 0,
    language: str = "",
    encoding: str | None = None,
    origin: TranscriptOrigin = TranscriptOrigin.IMPORTED,
) -> Import:
    """Read a file and lay its words over the clip's frames; nothing is written.

    `part`: which of a spanning clip's files it is of, counted from 1; 0: of the whole clip. Raises
    UsageError, naming the file, for what can't be read, for a part that is none, and for words beyond the
    clip's end.
    """
    read = read_transcript(content, file_name, encoding)
    offset = part_offset(session, clip, part)
    cues, warnings = _lay(clip, read, offset, file_name)
    return Import(
        clip,
        part,
        offset,
        (language or read.language or "")[:64],
        file_name,
        f"sha256:{hashlib.sha256(content).hexdigest()}",
        origin,
        cues,
        read.speakers,
        (*read.warnings, *warnings),
        tuple(standing_beside(session, clip, part)),
    )


def part_offset(session: Session, clip: Clip, part: int) -> int:
    """Frames of the clip before a part. Raises UsageError for a part that is none, or whose place can't be
    told because a file before it does not say how long it is."""
    if part == 0:
        return 0
    rows = (
        select(TakeFacts.frames, TakeFacts.samples)
        .select_from(ClipFile)
        .outerjoin(TakeFacts, TakeFacts.file_id == ClipFile.file_id)
        .where(ClipFile.clip_id == clip.id, ClipFile.role == FileRole.ESSENCE)
        .order_by(ClipFile.ordinal, ClipFile.id)
    )
    lengths = [frames if clip.rate is not None else samples for frames, samples in session.execute(rows)]
    if not 1 <= part <= len(lengths):
        files = "1 file" if len(lengths) == 1 else f"{len(lengths)} files"
        raise UsageError(
            f"there is no part {part}: the clip has {files}", path=clip.name, remedy="Parts count from 1."
        )
    before = lengths[: part - 1]
    if any(length is None for length in before):
        raise UsageError(
            f"a part before part {part} does not say how long it is",
            path=clip.name,
            remedy="Import one transcript of the whole clip instead.",
        )
    return sum(length or 0 for length in before)


def carry_out(edit: RowsEdit, wanted: Import, *, replace: bool = False) -> ClipTranscript | None:
    """Keep what was planned. None: the same bytes were imported before, and nothing was changed.

    Raises ConflictError where another transcript stands there and `replace` does not say to take its place.
    """
    if wanted.same:
        return None
    if wanted.standing and not replace:
        raise ConflictError(
            f"the clip has a transcript already, {say_standing(wanted.standing)}",
            path=wanted.clip.name,
            remedy="Look at what would go, then replace it (--replace); an undo brings it back.",
        )
    values = {
        "clip": wanted.clip.id,
        "part": wanted.part,
        "offset_frames": wanted.offset_frames,
        "language": wanted.language,
        "file_name": wanted.file_name,
        "file_hash": wanted.file_hash,
        "origin": wanted.origin.value,
        "cues": list(wanted.cues),
    }
    taken = next((one.transcript for one in wanted.standing if one.transcript.part == wanted.part), None)
    for one in wanted.standing:
        if one.transcript is not taken:
            edit.remove(TRANSCRIPT, one.transcript)
    made = edit.put(TRANSCRIPT, taken.id if taken is not None else None, values)
    assert isinstance(made, ClipTranscript)
    return made


def say_standing(standing: Sequence[Standing]) -> str:
    """What would be replaced, in words."""
    said = []
    for one in standing:
        part = f"part {one.transcript.part}, " if one.transcript.part else ""
        named = f", {one.named} with a named speaker" if one.named else ""
        source = one.transcript.file_name or "a file without a name"
        said.append(f"{part}of {source}: {one.cues} cues, {one.corrected} corrected by a person{named}")
    return "; ".join(said)


def standing_beside(session: Session, clip: Clip, part: int) -> list[Standing]:
    """Those of a clip that can't stay beside a new one of this part: of the same, or of the whole clip where
    parts differ."""
    found = []
    for transcript in transcripts_of(session, clip.id):
        if transcript.part != part and 0 not in (transcript.part, part):
            continue
        mine = ClipCue.transcript_id == transcript.id
        counts = (
            select(func.count()).select_from(ClipCue).where(mine, *more).scalar_subquery()
            for more in ((), (ClipCue.corrected,), (ClipCue.person_id.is_not(None),))
        )
        found.append(Standing(transcript, *session.execute(select(*counts)).one()))
    return found


def _lay(
    clip: Clip, read: Transcript, offset: int, name: str
) -> tuple[tuple[dict[str, Any], ...], tuple[str, ...]]:
    """Cues as rows with the clip's frames."""
    rate = frames_a_second(clip)
    length = clip.frames
    rows: list[dict[str, Any]] = []
    mended = 0
    for cue in read.cues:
        start, end = cue.frames(rate, offset)
        if length is not None and start >= length:
            late = nearest_frame(_BEYOND, rate)
            if start > length + late:
                raise _beyond(clip, name, start)
            start, end = length - 1, length
        if length is not None:
            end = min(end, length)
        text, speaker = _usable(cue.text), _usable(cue.speaker or "")
        mended += text != cue.text or speaker != (cue.speaker or "")
        rows.append(
            {
                "start_frame": start,
                "end_frame": end,
                "start_us": cue.start,
                "end_us": cue.end,
                "text": text,
                "speaker": speaker,
                "spoken": _spoken(cue, clip, offset, start, end),
                "corrected": False,
                **_sureness(cue),
            }
        )
    warnings = (f"{mended} cues held characters that no text may have; mended",) if mended else ()
    return tuple(rows), warnings


def _spoken(cue: Cue, clip: Clip, offset: int, first: int, last: int) -> list[Any] | None:
    """The timed words, kept within their cue; none where they are not the cue's whole text."""
    timed = [word for word in cue.words if word.text.split()]
    if not timed or " ".join(word.text for word in timed).split() != cue.text.split():
        return None
    rate = frames_a_second(clip)
    ends = [word.end if word.end is not None else None for word in timed]
    nexts = [*(word.start for word in timed[1:]), cue.end]
    found: list[Any] = []
    for word, given, following in zip(timed, ends, nexts, strict=True):
        begin = min(max(offset + nearest_frame(word.start, rate), first), last)
        stop = offset + nearest_frame(given if given is not None else following, rate)
        found.append([_usable(word.text), begin, min(max(stop, begin), last), word.start, given])
    return found


def _sureness(cue: Cue) -> dict[str, float | None]:
    """How sure a recogniser was of the cue's words; nothing where it says so of some only."""
    known = [word.confidence for word in cue.words if word.confidence is not None]
    if not known or len(known) < len(cue.words):
        return dict.fromkeys(CONFIDENCE)
    return dict(zip(CONFIDENCE, (round(sum(known) / len(known), 4), min(known)), strict=True))


def _usable(text: str) -> str:
    """Without characters that a database refuses or a page can't show."""
    if find_unusable(text) is None:
        return text
    return "".join(
        "\ufffd" if unicodedata.category(one) in ("Cc", "Cs") and not one.isspace() else one for one in text
    )


def _beyond(clip: Clip, name: str, start: int) -> UsageError:
    rate, length = clip.rate, clip.frames or 0
    if rate is not None:
        where = (
            f"{Timecode.wrapped(start, rate)} after its beginning, and it is {Timecode.wrapped(length, rate)}"
        )
    else:
        where = f"at sample {start}, and it is {length}"
    return UsageError(
        f"words begin {where} long: {clip.name}",
        path=name,
        remedy="Is it that clip's? A transcript of one part of a clip is imported with its number (--part).",
    )
