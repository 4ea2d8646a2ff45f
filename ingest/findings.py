"""Judge clips by the numbers that were measured of their files: findings with clip, place, number and rule.

The numbers stand in the catalogue, so limits can change and findings be made anew. What still holds keeps its
row, with a person's dismissal; what holds no longer goes, unless a person had dismissed it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.measure import picture_rules, sound_rules
from ingest.measure.picture_numbers import PictureNumbers
from ingest.measure.picture_rules import PictureFinding, judge_picture
from ingest.measure.sound_numbers import SoundMeasured
from ingest.measure.sound_rules import SoundFinding, find_in_sound
from ingest.measurements import VERSIONS
from ingest.media.facts import WARNING
from shared.catalogue.chunks import in_chunks
from shared.models import (
    Clip,
    ClipFile,
    ClipMedia,
    FileRole,
    Finding,
    MeasureKind,
    Measurement,
    Severity,
    TakeFacts,
)
from shared.settings import Settings

MEASURED_CODES = picture_rules.CODES | sound_rules.CODES
AT_ONCE = 100  # clips whose numbers are in memory at one time: those of an hour are some megabytes
_MOST_PLACES = 5  # findings of one kind in one file: a person looks at no more


@dataclass(frozen=True, slots=True)
class Judged:
    """How many findings are new, how many still hold, and how many were taken away."""

    clips: int
    added: int
    kept: int
    removed: int


@dataclass(frozen=True, slots=True)
class Draft:
    """A finding about to be kept; frames are the clip's, `out_frame` exclusive, both None for all of it."""

    file_id: int
    code: str
    severity: str
    message: str
    value: float | None
    unit: str
    rule: str
    channel: int | None
    in_frame: int | None
    out_frame: int | None

    @property
    def key(self) -> tuple[int | None, str, int | None]:
        return self.file_id, self.code, self.channel


@dataclass(frozen=True, slots=True)
class _Part:
    """A file of a clip: where it begins, in what the clip counts, and how many of that there are a second."""

    file_id: int
    offset: int
    per_second: Fraction | None
    length: int | None  # of the clip


def judge_clips(session: Session, clip_ids: Sequence[int], settings: Settings) -> Judged:
    """Bring the findings of `MEASURED_CODES` up to date for these clips, in the caller's transaction."""
    total = Judged(0, 0, 0, 0)
    for chunk in in_chunks(clip_ids, AT_ONCE):
        total = _sum(total, _judge_some(session, chunk, settings))
    return total


def _judge_some(session: Session, clip_ids: Sequence[int], settings: Settings) -> Judged:
    numbers = _numbers(session, clip_ids)
    there: dict[int, list[Finding]] = defaultdict(list)
    for finding in session.scalars(
        select(Finding)
        .where(Finding.clip_id.in_(clip_ids), Finding.code.in_(MEASURED_CODES))
        .order_by(Finding.id)
    ):
        assert finding.clip_id is not None, "found by it"
        there[finding.clip_id].append(finding)
    total = Judged(0, 0, 0, 0)
    for clip_id, parts in _parts(session, clip_ids).items():
        measured = [(part, row) for part in parts for row in numbers.get(part.file_id, ())]
        if not measured:
            continue  # never measured: nothing can be said, and nothing is taken back
        drafts = [one for part, row in measured for one in judge_measurement(row, part, settings)]
        total = _sum(total, _settle(session, clip_id, drafts, there[clip_id]))
    session.flush()
    return total


def _sum(one: Judged, other: Judged) -> Judged:
    return Judged(
        one.clips + other.clips,
        one.added + other.added,
        one.kept + other.kept,
        one.removed + other.removed,
    )


def _numbers(session: Session, clip_ids: Sequence[int]) -> Mapping[int, list[Measurement]]:
    found: dict[int, list[Measurement]] = defaultdict(list)
    rows = (
        select(Measurement)
        .join(ClipFile, ClipFile.file_id == Measurement.file_id)
        .where(ClipFile.clip_id.in_(clip_ids))
        .order_by(Measurement.file_id, Measurement.kind)
    )
    for row in session.scalars(rows):
        found[row.file_id].append(row)
    return found


def _parts(session: Session, clip_ids: Sequence[int]) -> Mapping[int, list[_Part]]:
    """The essence files of each clip, in order."""
    rows = (
        select(Clip, ClipFile.file_id, TakeFacts)
        .join(ClipFile, ClipFile.clip_id == Clip.id)
        .outerjoin(TakeFacts, TakeFacts.file_id == ClipFile.file_id)
        .where(Clip.id.in_(clip_ids), ClipFile.role == FileRole.ESSENCE)
        .order_by(Clip.id, ClipFile.ordinal)
    )
    found: dict[int, list[_Part]] = defaultdict(list)
    offset, last = 0, None
    for clip, file_id, facts in session.execute(rows):
        offset = offset if clip.id == last else 0
        found[clip.id].append(_Part(file_id, offset, clip.per_second, clip.frames))
        if facts is not None:
            offset += (facts.frames if clip.media is ClipMedia.VIDEO else facts.samples) or 0
        last = clip.id
    return found


# -- from numbers to drafts ------------------------------------------------------------------------


def judge_measurement(row: Measurement, part: _Part, settings: Settings) -> list[Draft]:
    """What one file's numbers of one kind say, by the limits set. Numbers of another version say nothing."""
    if row.version != VERSIONS[row.kind]:
        return []
    if row.kind is MeasureKind.PICTURE:
        pictures = _picture_findings(row.numbers, row.problem, settings)
        return [_of_picture(one, part) for one in _first_of_each(pictures)]
    sounds = find_in_sound(_sound(row.numbers, row.problem), settings.sound_limits)
    return [_of_sound(one, part) for one in sounds]


def _picture_findings(numbers: Any, problem: str, settings: Settings) -> Sequence[PictureFinding]:
    if numbers is not None:
        return judge_picture(PictureNumbers.from_json(numbers), settings.picture_limits)
    return [
        PictureFinding(
            "picture-unmeasured",
            WARNING,
            problem or "Its picture was not measured.",
            None,
            "",
            "The picture of every clip can be measured.",
            "Look at the clip, and check its copy.",
        )
    ]


def _sound(numbers: Any, problem: str) -> SoundMeasured:
    return SoundMeasured(problem=problem or None) if numbers is None else SoundMeasured.from_json(numbers)


def _first_of_each(findings: Sequence[PictureFinding]) -> Iterator[PictureFinding]:
    """The longest places of each kind, in the order they were found."""
    kept: dict[str, list[PictureFinding]] = defaultdict(list)
    for one in findings:
        kept[one.code].append(one)
    chosen = {
        id(one)
        for some in kept.values()
        for one in sorted(some, key=lambda one: (one.start or 0.0) - (one.end or 0.0))[:_MOST_PLACES]
    }
    return (one for one in findings if id(one) in chosen)


def _of_picture(one: PictureFinding, part: _Part) -> Draft:
    first, last = _frames(one.start, one.end, part)
    said = f"{one.message} {one.remedy}"
    return Draft(part.file_id, one.code, one.severity, said, one.value, one.unit, one.rule, None, first, last)


def _of_sound(one: SoundFinding, part: _Part) -> Draft:
    first, last = _frames(one.first, one.last, part)
    noticed = one.noticed()
    return Draft(
        *(part.file_id, one.code, one.severity, noticed.message, one.value, one.unit, one.rule),
        *(one.channel, first, last),
    )


def _frames(start: float | None, end: float | None, part: _Part) -> tuple[int | None, int | None]:
    """Seconds of the file as frames of the clip: the first, and the one after the last."""
    if start is None or end is None or part.per_second is None:
        return None, None
    first = max(0, math.floor(Fraction(start) * part.per_second))
    after = max(first + 1, math.ceil(Fraction(end) * part.per_second))
    first, after = first + part.offset, after + part.offset
    if part.length is not None:
        after = min(after, part.length)
        first = max(0, min(first, after - 1))
    return first, max(after, first + 1)


# -- from drafts to rows ---------------------------------------------------------------------------


def _settle(session: Session, clip_id: int, drafts: Sequence[Draft], there: Sequence[Finding]) -> Judged:
    left = list(there)
    added = kept = 0
    for draft in drafts:
        row = _same(draft, left)
        if row is None:
            row = Finding(clip_id=clip_id, file_id=draft.file_id, code=draft.code, channel=draft.channel)
            session.add(row)
            added += 1
        else:
            left.remove(row)
            kept += 1
        row.severity, row.message, row.rule = Severity(draft.severity), draft.message, draft.rule
        row.value, row.unit = draft.value, draft.unit
        row.in_frame, row.out_frame = draft.in_frame, draft.out_frame
    stale = [row for row in left if row.dismissed is None]
    for row in stale:
        session.delete(row)
    return Judged(1, added, kept, len(stale))


def _same(draft: Draft, rows: Sequence[Finding]) -> Finding | None:
    """The row that says the same of the same place, if there is one: the one that shares most with it."""
    alike = [row for row in rows if (row.file_id, row.code, row.channel) == draft.key]
    best = max(alike, key=lambda row: _shared(draft, row), default=None)
    return best if best is not None and _shared(draft, best) > 0 else None


def _shared(draft: Draft, row: Finding) -> int:
    if draft.in_frame is None or draft.out_frame is None or row.in_frame is None or row.out_frame is None:
        return int(draft.in_frame is None and row.in_frame is None)
    return min(draft.out_frame, row.out_frame) - max(draft.in_frame, row.in_frame)
