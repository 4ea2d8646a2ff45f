"""Merging a log from a file into the catalogue, clip by clip, whatever the machine it is from.

A clip is known by the hash and size of its first file. Nothing is lost by a merge: what the catalogue lacks
is filled in, names are added to names, and where both say something else it stays until somebody decides.
"""

from __future__ import annotations

import enum
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.assignments import LIST_FIELDS
from shared.catalogue.chunks import in_chunks
from shared.catalogue.journal import Values, moment_log, read_values
from shared.catalogue.log import same_name
from shared.catalogue.log_export import log_moments
from shared.catalogue.log_files import SAID, Fault, FaultyFileError, Record, Value
from shared.catalogue.lookup import list_known, pick_one
from shared.catalogue.transcript_import import part_offset, say_standing, standing_beside
from shared.catalogue.transcript_log import Carried, carry
from shared.catalogue.transcripts import frames_a_second
from shared.errors import UsageError
from shared.models import (
    Clip,
    ClipFile,
    ClipMedia,
    ClipTranscript,
    File,
    FileRole,
    LogEntry,
    Moment,
    Production,
    Reel,
)
from shared.query_fields import TEXT_FIELDS


class Prefer(enum.StrEnum):
    """Who is right where file and catalogue say different things."""

    FILE = "file"
    CATALOGUE = "catalogue"


@dataclass(frozen=True, slots=True)
class Subject:
    """A clip, or the moment of it with this range: there already (`moment` is its id), or to be made."""

    clip: int
    range: tuple[int, int] | None = None
    moment: int | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """One field of which file and catalogue say different things; `line` is the file's."""

    subject: Subject
    line: int
    name: str  # REEL/clip
    field: str
    now: Value
    file: Value

    def as_json(self) -> dict[str, Any]:
        return {
            "clip": self.subject.clip,
            "name": self.name,
            "range": self.subject.range,
            "line": self.line,
            "field": self.field,
            "catalogue": self.now,
            "file": self.file,
        }


@dataclass(frozen=True, slots=True)
class SpokenMerge:
    """A transcript to be kept, in place of those that stand there."""

    clip: int
    carried: Carried
    standing: tuple[ClipTranscript, ...] = ()


@dataclass(slots=True)
class Merge:
    """What an import would do. `wanted`: the values to be written, by what they are written on; `spoken`: the
    transcripts."""

    wanted: dict[Subject, Values] = field(default_factory=dict)
    spoken: list[SpokenMerge] = field(default_factory=list)
    changes: list[Difference] = field(default_factory=list)
    conflicts: list[Difference] = field(default_factory=list)  # left as they are
    kept: list[Difference] = field(default_factory=list)  # the catalogue was preferred
    unknown: list[tuple[Record, str]] = field(default_factory=list)  # records of no clip here, and why
    same: int = 0  # records that say nothing new


def plan_merge(
    session: Session,
    production: Production,
    records: Sequence[Record],
    path: Path,
    prefer: Prefer | None = None,
    *,
    hold: bool = False,
) -> Merge:
    """Compare a file's records with the catalogue. Writes nothing; `hold` keeps other writers off the clips
    until the transaction ends.

    Raises FaultyFileError for a lens that is not in the kit list, a range or words beyond a clip's end, or
    two records that say different things of one clip.
    """
    found = _clips_by_file(session, production, {record.hash for record in records if record.hash}, hold)
    merge, told = Merge(), _gather(records, path)
    matched: dict[int, Clip] = {}
    about: list[tuple[Clip, Record]] = []
    for record in told:
        clips = found.get((record.hash, record.size), [])
        if len(clips) == 1:
            matched[clips[0].id] = clips[0]
            about.append((clips[0], record))
        else:
            merge.unknown.append((record, _why_unknown(record, clips)))
    standing = read_values(session, sorted(matched), SAID)
    moments = log_moments(session, sorted(matched))
    faults: list[Fault] = []
    lenses = list_known(session, production, "lens")
    for clip, record in about:
        if record.transcript is not None:
            _compare_spoken(session, merge, clip, record, record.transcript, prefer, faults)
            continue
        values = dict(record.values)
        if "lens" in values:
            try:
                values["lens"] = pick_one(lenses, "lens", str(values["lens"])).names[0]
            except UsageError as error:
                faults.append(Fault(record.place("lens"), error.message))
                continue
        if record.range is None:
            now = standing[clip.id]
            subject = Subject(clip.id)
        else:
            subject, now = _moment(clip, record, moments[clip.id], faults)
            if record.name:
                values["name"] = record.name
        _compare(merge, subject, clip, record, values, now, prefer)
    if faults:
        raise FaultyFileError(path, faults)
    return merge


def _gather(records: Sequence[Record], path: Path) -> list[Record]:
    """One record for each thing: lines that say the same or complete each other are one."""
    first: dict[tuple[str, int, tuple[int, int] | None, int | None], Record] = {}
    loose, faults = [], []
    for record in records:
        part = record.transcript.part if record.transcript is not None else None
        key = (record.hash, record.size, record.range, part)
        before = first.get(key)
        if not record.hash or before is None:
            first[key] = record
            if not record.hash:
                loose.append(first.pop(key))
            continue
        both = before.values.keys() & record.values.keys()
        wrong = [name for name in both if before.values[name] != record.values[name]]
        wrong += ["moment"] if before.name and record.name and before.name != record.name else []
        wrong += ["transcript"] if before.transcript != record.transcript else []
        faults += [
            Fault(record.place(name), f"line {before.line} says otherwise of the same clip") for name in wrong
        ]
        values = {**record.values, **before.values}
        name = before.name or record.name
        first[key] = replace(before, values=values, name=name)
    if faults:
        raise FaultyFileError(path, faults)
    return sorted([*first.values(), *loose], key=lambda one: one.line)


def _why_unknown(record: Record, clips: Sequence[Clip]) -> str:
    if not record.hash:
        return "the line has no hash"
    if clips:
        return f"{len(clips)} clips have the same content: {', '.join(map(_name, clips[:5]))}"
    return "no clip of this production has this content"


def _clips_by_file(
    session: Session, production: Production, hashes: set[str], hold: bool
) -> dict[tuple[str, int], list[Clip]]:
    found: dict[tuple[str, int], list[Clip]] = defaultdict(list)
    for chunk in in_chunks(sorted({one.partition(":")[2] for one in hashes})):
        statement = (
            select(File.algorithm, File.digest, File.size, Clip)
            .join(ClipFile, ClipFile.file_id == File.id)
            .join(Clip, Clip.id == ClipFile.clip_id)
            .where(
                File.digest.in_(chunk),
                ClipFile.role == FileRole.ESSENCE,
                ClipFile.ordinal == 0,
                Clip.production_id == production.id,
            )
            .options(joinedload(Clip.reel))
            .order_by(Clip.id)
        )
        rows = session.execute(statement.with_for_update(of=Clip) if hold else statement)
        for algorithm, digest, size, clip in rows:
            found[f"{algorithm}:{digest}", size].append(clip)
    return found


def _moment(
    clip: Clip,
    record: Record,
    there: Sequence[tuple[Moment, LogEntry | None]],
    faults: list[Fault],
) -> tuple[Subject, Values]:
    assert record.range is not None
    if clip.media is ClipMedia.IMAGE:
        faults.append(Fault(record.place("in"), f"{_name(clip)} is a photograph and has no moments"))
    elif clip.frames is not None and record.range[1] > clip.frames:
        faults.append(Fault(record.place("out"), f"{_name(clip)} has only {clip.frames} frames"))
    same = [one for one in there if (one[0].in_frame, one[0].out_frame) == record.range]
    for moment, entry in sorted(same, key=lambda one: one[0].name != record.name):  # its namesake first
        return Subject(clip.id, record.range, moment.id), {"name": moment.name, **moment_log(entry)}
    return Subject(clip.id, record.range), {}


def _compare(
    merge: Merge,
    subject: Subject,
    clip: Clip,
    record: Record,
    values: Mapping[str, Value],
    now: Values,
    prefer: Prefer | None,
) -> None:
    wanted: Values = {}
    differs = subject.range is not None and subject.moment is None  # a moment to be made
    for name, value in values.items():
        held = _held(name, now)
        if isinstance(value, tuple):
            more = [one for one in value if same_name(one) not in set(map(same_name, held))]
            if more:
                wanted[name] = [*held, *more]
                merge.changes.append(
                    _difference(subject, clip, record, name, tuple(held), tuple(wanted[name]))
                )
            continue
        if held == value:
            continue
        difference = _difference(subject, clip, record, name, str(held or ""), value)
        if not held or prefer is Prefer.FILE:
            wanted[name] = value
            merge.changes.append(difference)
        else:
            differs = True
            (merge.kept if prefer is Prefer.CATALOGUE else merge.conflicts).append(difference)
    if wanted or (subject.range is not None and subject.moment is None):
        merge.wanted[subject] = wanted
        if not wanted:
            merge.changes.append(_difference(subject, clip, record, "moment", "", "marked"))
    elif not differs:
        merge.same += 1


def _compare_spoken(
    session: Session,
    merge: Merge,
    clip: Clip,
    record: Record,
    carried: Carried,
    prefer: Prefer | None,
    faults: list[Fault],
) -> None:
    """A transcript is taken whole or not at all: cues of two hands can't be told apart line by line."""
    wrong = _misfit(session, merge, clip, carried)
    if wrong is not None:
        faults.append(Fault(record.place("transcript"), wrong))
        return
    standing = standing_beside(session, clip, carried.part)
    if len(standing) == 1 and carry(session, standing[0].transcript).says_the_same(carried):
        merge.same += 1
        return
    now = say_standing(standing)
    difference = _difference(Subject(clip.id), clip, record, "transcript", now, carried.summary)
    if not standing or prefer is Prefer.FILE:
        merge.spoken.append(SpokenMerge(clip.id, carried, tuple(one.transcript for one in standing)))
        merge.changes.append(difference)
    else:
        (merge.kept if prefer is Prefer.CATALOGUE else merge.conflicts).append(difference)


def _misfit(session: Session, merge: Merge, clip: Clip, carried: Carried) -> str | None:
    """Why these can't be the clip's words."""
    beside = [one.carried.part for one in merge.spoken if one.clip == clip.id]
    if beside and 0 in (carried.part, *beside):
        return f"{_name(clip)} has one transcript of the whole or one of each part, never both"
    values = carried.values
    try:
        frames_a_second(clip)
        offset = part_offset(session, clip, carried.part)
    except UsageError as error:
        return f"{_name(clip)}: {error.message}"
    if offset != values["offset_frames"]:
        return f"part {carried.part} of {_name(clip)} begins at frame {offset}, not {values['offset_frames']}"
    last = max(cue["end_frame"] for cue in values["cues"])
    if clip.frames is not None and last > clip.frames:
        return f"{_name(clip)} has only {clip.frames} frames, and words end at {last}"
    return None


def _held(name: str, now: Values) -> Any:
    if name in LIST_FIELDS:
        return list(now.get(name) or ())
    if name == "lens" and now.get("lens_assumed"):
        return ""  # nobody said it
    held = now.get(name) or ""
    return held.strip() if name in TEXT_FIELDS else held


def _difference(
    subject: Subject, clip: Clip, record: Record, name: str, now: Value, file: Value
) -> Difference:
    return Difference(subject, record.line, _name(clip), name, now, file)


def _name(clip: Clip) -> str:
    reel: Reel = clip.reel
    return f"{reel.name}/{clip.name}"
