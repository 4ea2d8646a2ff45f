"""Taking a log out of the catalogue and merging one into it, clip by clip, whatever the machine.

A clip is known by the hash and size of its first file. Nothing is lost by a merge: what the catalogue lacks
is filled in, names are added to names, and where both say something else it stays until somebody decides.
"""

from __future__ import annotations

import enum
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload, selectinload

from shared.catalogue.assignments import LIST_FIELDS
from shared.catalogue.chunks import in_chunks
from shared.catalogue.clip_rows import length_text
from shared.catalogue.journal import Values, moment_log, read_values
from shared.catalogue.log import same_name
from shared.catalogue.log_files import SAID, Fault, FaultyFileError, Record, Value
from shared.catalogue.lookup import list_known, pick_one
from shared.catalogue.search import Cursor, find_clips
from shared.errors import UsageError
from shared.models import Clip, ClipFile, ClipMedia, File, FileRole, LogEntry, Moment, Production, Reel
from shared.query_fields import TEXT_FIELDS
from shared.vocabulary import Vocabulary

_PAGE = 1000


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


@dataclass(slots=True)
class Merge:
    """What an import would do. `wanted`: the values to be written, by what they are written on."""

    wanted: dict[Subject, Values] = field(default_factory=dict)
    changes: list[Difference] = field(default_factory=list)
    conflicts: list[Difference] = field(default_factory=list)  # left as they are
    kept: list[Difference] = field(default_factory=list)  # the catalogue was preferred
    unknown: list[tuple[Record, str]] = field(default_factory=list)  # records of no clip here, and why
    same: int = 0  # records that say nothing new


# -- out --------------------------------------------------------------------------------------------


def export_log(
    session: Session, production: Production, query: str, vocabulary: Vocabulary
) -> Iterator[Record]:
    """A record of each clip that a query finds, and after it one of each of its moments; as shot.

    Raises QueryError at the first record for a query that can't be read.
    """
    after: Cursor | None = None
    while True:
        page = find_clips(session, production, query, vocabulary, limit=_PAGE, after=after)
        ids = [clip.id for clip in page.clips]
        firsts, moments = _first_files(session, ids), _moments(session, ids)
        for clip in page.clips:
            key, size = firsts.get(clip.id, ("", 0))
            known = _known(clip)
            values = moment_log(page.entries.get(clip.id))
            if clip.lens is not None and not clip.lens_assumed:
                values["lens"] = clip.lens.name
            yield Record(0, key, size, None, _as_said(values), known=known)
            for moment, entry in moments[clip.id]:
                span = (moment.in_frame, moment.out_frame)
                yield Record(0, key, size, span, _as_said(moment_log(entry)), moment.name, known)
        if page.next is None:
            return
        after = Cursor.parse(page.next)
        session.expunge_all()


def _known(clip: Clip) -> dict[str, str]:
    start = clip.start_timecode
    return {
        "reel": clip.reel.name,
        "clip": clip.name,
        "day": str(clip.day.number) if clip.day is not None else "",
        "start": str(start) if start is not None else "",
        "length": length_text(clip) or "",
    }


def _as_said(values: Values) -> dict[str, Value]:
    return {
        name: tuple(values[name]) if name in LIST_FIELDS else str(values[name])
        for name in SAID
        if values.get(name)
    }


def _first_files(session: Session, clip_ids: Sequence[int]) -> dict[int, tuple[str, int]]:
    """The hash and the size of each clip's first file, where it was read whole."""
    found: dict[int, tuple[str, int]] = {}
    for chunk in in_chunks(clip_ids):
        rows = select(ClipFile.clip_id, File.algorithm, File.digest, File.size).join(File)
        for clip_id, algorithm, digest, size in session.execute(
            rows.where(
                ClipFile.clip_id.in_(chunk),
                ClipFile.role == FileRole.ESSENCE,
                ClipFile.ordinal == 0,
                File.digest.is_not(None),
            )
        ):
            found[clip_id] = (f"{algorithm}:{digest}", size)
    return found


def _moments(session: Session, clip_ids: Iterable[int]) -> dict[int, list[tuple[Moment, LogEntry | None]]]:
    found: dict[int, list[tuple[Moment, LogEntry | None]]] = defaultdict(list)
    for chunk in in_chunks(clip_ids):
        rows = session.execute(
            select(Moment, LogEntry)
            .outerjoin(LogEntry, LogEntry.moment_id == Moment.id)
            .where(Moment.clip_id.in_(chunk))
            .options(selectinload(LogEntry.tags), selectinload(LogEntry.people))
            .order_by(Moment.clip_id, Moment.in_frame, Moment.out_frame, Moment.id)
        )
        for moment, entry in rows:
            found[moment.clip_id].append((moment, entry))
    return found


# -- in: what would change --------------------------------------------------------------------------


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

    Raises FaultyFileError for a lens that is not in the kit list, a range beyond a clip's end, or two
    records that say different things of one clip.
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
    moments = _moments(session, sorted(matched))
    faults: list[Fault] = []
    lenses = list_known(session, production, "lens")
    for clip, record in about:
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
    first: dict[tuple[str, int, tuple[int, int] | None], Record] = {}
    loose, faults = [], []
    for record in records:
        key = (record.hash, record.size, record.range)
        before = first.get(key)
        if not record.hash or before is None:
            first[key] = record
            if not record.hash:
                loose.append(first.pop(key))
            continue
        both = before.values.keys() & record.values.keys()
        wrong = [name for name in both if before.values[name] != record.values[name]]
        wrong += ["moment"] if before.name and record.name and before.name != record.name else []
        faults += [
            Fault(record.place(name), f"line {before.line} says otherwise of the same clip") for name in wrong
        ]
        values = {**record.values, **before.values}
        name = before.name or record.name
        first[key] = Record(before.line, before.hash, before.size, before.range, values, name, before.known)
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
