"""Transcripts and cues as the journal has them: read as snapshots, and filled from them.

A transcript's snapshot holds all its cues, so that an import, a replacement and a removal are one change each
and are taken back whole; an edit of a cue is a change of that cue alone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import delete, func, insert, select, text
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.assignments import SetNames
from shared.catalogue.journal import Values
from shared.catalogue.log import name_ids
from shared.catalogue.rows import RowKind
from shared.catalogue.terms import production_vocabulary
from shared.catalogue.text import refresh_text, spoken_words
from shared.errors import ConflictError
from shared.models import Clip, ClipCue, ClipTranscript, Person, Production, TranscriptOrigin

_PLAIN = ("part", "offset_frames", "language", "file_name", "file_hash")
CUE_COLUMNS = (
    *("start_frame", "end_frame", "start_us", "end_us", "text", "speaker", "spoken", "corrected"),
)  # fmt: skip
# Younger than the others: a journal of before has no word of them, and is undone all the same.
CONFIDENCE = ("confidence_mean", "confidence_least")


def next_cue_ids(session: Session, count: int) -> list[int]:
    """Numbers that no cue ever had."""
    if session.get_bind().dialect.name == "sqlite":
        session.flush()
        # SQLite's own table of the highest number each table ever gave (sqlite.org/autoinc.html).
        last = session.scalar(text("SELECT seq FROM sqlite_sequence WHERE name = 'cue'")) or 0
        return list(range(last + 1, last + 1 + count))
    sequence = func.nextval(func.pg_get_serial_sequence("cue", "id"))
    numbers = select(sequence).select_from(func.generate_series(1, count).table_valued())
    return list(session.scalars(numbers))


# -- a cue ------------------------------------------------------------------------------------------


def read_cue(_session: Session, cue: ClipCue) -> Values:
    return {
        "name": _short(cue.text),
        "transcript": cue.transcript_id,
        "clip": cue.clip_id,
        **{name: getattr(cue, name) for name in (*CUE_COLUMNS, *CONFIDENCE)},
        "person": cue.person.name if cue.person is not None else None,
    }


def _short(words: str) -> str:
    return words if len(words) <= 40 else words[:39] + "…"


def _fill_cue(session: Session, production: Production, cue: ClipCue, values: Mapping[str, Any]) -> None:
    if "transcript" in values:
        transcript = session.get(ClipTranscript, values["transcript"])
        if transcript is None:
            raise ConflictError("its transcript is not there any more", remedy="Bring that back first.")
        cue.transcript, cue.clip_id = transcript, transcript.clip_id
    for name in (*CUE_COLUMNS, *CONFIDENCE):
        if name in values:
            setattr(cue, name, values[name])
    if "person" in values:
        ids = _people(session, production, [values["person"]])
        cue.person = session.get_one(Person, ids[values["person"]]) if ids else None


def _people(session: Session, production: Production, names: Iterable[str | None]) -> dict[str, int]:
    wanted = tuple(dict.fromkeys(name for name in names if name))
    if not wanted:
        return {}
    return dict(zip(wanted, name_ids(session, production, SetNames("person", wanted)), strict=True))


# -- a transcript -----------------------------------------------------------------------------------


def _read(session: Session, transcript: ClipTranscript) -> Values:
    rows = select(ClipCue).where(ClipCue.transcript_id == transcript.id).options(joinedload(ClipCue.person))
    cues = session.scalars(rows.order_by(ClipCue.start_frame, ClipCue.id))
    return {
        "name": transcript.file_name or f"transcript of clip {transcript.clip_id}",
        "clip": transcript.clip_id,
        **{name: getattr(transcript, name) for name in _PLAIN},
        "origin": transcript.origin.value,
        "cues": [_listed(cue) for cue in cues],
    }


def _listed(cue: ClipCue) -> Values:
    person = cue.person.name if cue.person is not None else None
    sure = {name: value for name in CONFIDENCE if (value := getattr(cue, name)) is not None}
    return {"id": cue.id, **{name: getattr(cue, name) for name in CUE_COLUMNS}, **sure, "person": person}


def _fill(
    session: Session, production: Production, transcript: ClipTranscript, values: Mapping[str, Any]
) -> None:
    if "clip" in values:
        if session.get(Clip, values["clip"]) is None:
            raise ConflictError(f"clip {values['clip']} is not there any more", remedy="Offload it again.")
        transcript.clip_id = values["clip"]
    for name in _PLAIN:
        if name in values:
            setattr(transcript, name, values[name])
    if "origin" in values:
        transcript.origin = TranscriptOrigin(values["origin"])
    if "cues" in values:
        with session.no_autoflush:
            _check_place(session, transcript)
        session.add(transcript)
        session.flush()
        _write_cues(session, production, transcript, values["cues"])


def _check_place(session: Session, transcript: ClipTranscript) -> None:
    """Raises ConflictError where another one has this clip, or this part of it, by now."""
    others = select(ClipTranscript).filter_by(clip_id=transcript.clip_id, part=transcript.part)
    other = session.scalar(others)
    if other is not None and other is not transcript:
        raise _taken(other)


def _check_parts(transcripts: Sequence[ClipTranscript]) -> None:
    """One of the whole clip, or one for each part. An edit may put the one in the other's place, so this is
    asked when it is done. Raises ConflictError."""
    if len(transcripts) > 1 and any(one.part == 0 for one in transcripts):
        raise _taken(transcripts[0])


def _taken(other: ClipTranscript) -> ConflictError:
    return ConflictError(
        f"the clip has a transcript already, of {other.file_name or 'another file'}",
        remedy="Replace it, or take it away first.",
    )


def _write_cues(
    session: Session, production: Production, transcript: ClipTranscript, cues: Sequence[Mapping[str, Any]]
) -> None:
    session.execute(delete(ClipCue).where(ClipCue.transcript_id == transcript.id))
    new = iter(next_cue_ids(session, sum("id" not in cue for cue in cues)))
    people = _people(session, production, (cue.get("person") for cue in cues))
    rows = [
        {
            "id": cue["id"] if "id" in cue else next(new),
            "transcript_id": transcript.id,
            "clip_id": transcript.clip_id,
            **{name: cue[name] for name in CUE_COLUMNS},
            **{name: cue.get(name) for name in CONFIDENCE},
            "person_id": people.get(cue.get("person") or ""),
        }
        for cue in cues
    ]
    if rows:
        session.execute(insert(ClipCue), rows)


def _remove_cues(session: Session, transcript: ClipTranscript) -> None:
    session.execute(delete(ClipCue).where(ClipCue.transcript_id == transcript.id))


def _settle(session: Session, production: Production, snapshots: Collection[Values]) -> None:
    """Write anew what these clips are found by."""
    clips = sorted({values["clip"] for values in snapshots})
    session.flush()
    for clip_id in clips:
        rows = select(ClipTranscript).where(ClipTranscript.clip_id == clip_id)
        transcripts = session.scalars(rows.order_by(ClipTranscript.part)).all()
        _check_parts(transcripts)
        for transcript in transcripts:
            said = select(ClipCue.text).where(ClipCue.transcript_id == transcript.id)
            texts = session.scalars(said.order_by(ClipCue.start_frame, ClipCue.id))
            transcript.words = spoken_words(texts, production.language)
    session.flush()
    refresh_text(session, clips, production_vocabulary(session, production))


TRANSCRIPT = RowKind(
    *("transcript", 3, "transcript", ClipTranscript, _read, _fill),
    empty=_remove_cues,
    settle=_settle,
)  # fmt: skip
CUE = RowKind("cue", 4, "cue", ClipCue, read_cue, _fill_cue, settle=_settle)
TRANSCRIPT_KINDS = (TRANSCRIPT, CUE)
