"""Clips as plain rows, for lists and for programs: one shape for the command, the service and exports."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.chunks import in_chunks
from shared.models import Clip, ClipFile, ClipTimes, File, FileRole, Finding, LogEntry
from shared.query_fields import TERM_FIELDS, TEXT_FIELDS
from shared.timecode import frames_to_text


@dataclass(frozen=True, slots=True)
class ClipFileRow:
    path: str
    role: str
    size: int
    algorithm: str
    digest: str | None


@dataclass(frozen=True, slots=True)
class ClipRow:
    """One clip. `start` and `length` are timecode text; None: not known.

    `rate` is exact ("24000/1001"): frames a second, or samples where the clip is sound only. `capture_rate`
    is that of the taking, as far as known. `lens_assumed`: the lens is the camera's usual one, no more. `log`
    holds what a person said, only the fields that are filled. `seconds` is how long it plays, `real_seconds`
    how long it took: less in slow motion. `shot_at` is the stamp `shot_source`, read as `shot_read_as` says
    (see `shared.when.Moment`), and `shot_correction_ms` later.
    """

    id: int
    name: str
    media: str
    reel: str
    camera: str | None
    lens: str | None
    lens_assumed: bool
    day: int | None
    date: str | None
    shot_at: str | None
    shot_certainty: str
    shot_source: str
    shot_read_as: str
    shot_correction_ms: int
    rate: str | None
    capture_rate: str | None
    capture_certainty: str
    drop_frame: bool
    frames: int | None
    start_frame: int | None
    start: str | None
    length: str | None
    seconds: str | None
    real_seconds: str | None
    log: dict[str, Any]
    findings: tuple[str, ...]
    files: tuple[ClipFileRow, ...]

    def as_json(self) -> dict[str, Any]:
        row = {name: getattr(self, name) for name in self.__slots__}
        row["findings"] = list(self.findings)
        row["files"] = [
            {
                "path": f.path,
                "role": f.role,
                "size": f.size,
                "hash": {"algorithm": f.algorithm, "value": f.digest},
            }
            for f in self.files
        ]
        return row


def clip_rows(session: Session, clips: Sequence[Clip], entries: Mapping[int, LogEntry]) -> list[ClipRow]:
    """Rows of these clips in their order; the number of statements does not grow with each clip."""
    ids = [clip.id for clip in clips]
    files: dict[int, list[ClipFileRow]] = defaultdict(list)
    findings: dict[int, list[str]] = defaultdict(list)
    for chunk in in_chunks(ids):
        rows = session.execute(
            select(ClipFile.clip_id, ClipFile.role, File.path, File.size, File.algorithm, File.digest)
            .join(File, File.id == ClipFile.file_id)
            .where(ClipFile.clip_id.in_(chunk))
            .order_by(ClipFile.clip_id, ClipFile.role != FileRole.ESSENCE, ClipFile.ordinal, File.path)
        )
        for clip_id, role, path, size, algorithm, digest in rows:
            files[clip_id].append(ClipFileRow(path, role.value, size, algorithm, digest))
        codes = session.execute(
            select(Finding.clip_id, Finding.code)
            .where(Finding.clip_id.in_(chunk), Finding.dismissed.is_(None))
            .order_by(Finding.id)
        )
        for found_in, code in codes:
            if found_in is not None and code not in findings[found_in]:
                findings[found_in].append(code)
    return [_row(clip, entries.get(clip.id), files[clip.id], findings[clip.id]) for clip in clips]


def _row(
    clip: Clip, entry: LogEntry | None, files: Sequence[ClipFileRow], findings: Sequence[str]
) -> ClipRow:
    start = clip.start_timecode
    return ClipRow(
        id=clip.id,
        name=clip.name,
        media=clip.media.value,
        reel=clip.reel.name,
        camera=clip.camera.letter if clip.camera is not None else None,
        lens=clip.lens.name if clip.lens is not None else None,
        lens_assumed=clip.lens_assumed,
        day=clip.day.number if clip.day is not None else None,
        date=clip.day.date.isoformat() if clip.day is not None else None,
        shot_at=clip.shot_at.isoformat() if clip.shot_at is not None else None,
        shot_certainty=clip.shot_certainty,
        shot_source=clip.shot_source,
        shot_read_as=clip.shot_read_as,
        shot_correction_ms=clip.shot_correction_ms,
        rate=str(clip.per_second) if clip.per_second is not None else None,
        capture_rate=str(clip.capture_rate) if clip.capture_rate is not None else None,
        capture_certainty=clip.capture_certainty,
        drop_frame=clip.drop_frame,
        frames=clip.frames,
        start_frame=clip.start_frame,
        start=str(start) if start is not None else None,
        length=length_text(clip),
        seconds=seconds_text(clip),
        real_seconds=real_seconds_text(clip),
        log=_log(entry),
        findings=tuple(findings),
        files=tuple(files),
    )


def _log(entry: LogEntry | None) -> dict[str, Any]:
    if entry is None:
        return {}
    fields = (*TERM_FIELDS, *TEXT_FIELDS)
    said: dict[str, Any] = {name: value for name in fields if (value := getattr(entry, name))}
    if entry.people:
        said["people"] = [person.name for person in entry.people]
    if entry.tags:
        said["tags"] = [tag.name for tag in entry.tags]
    return said


def clip_seconds(clip: ClipTimes) -> Fraction | None:
    """Exact length in seconds."""
    if clip.per_second is None or clip.frames is None:
        return None
    return clip.frames / clip.per_second


def seconds_text(clip: ClipTimes) -> str | None:
    """Length in seconds, rounded to the millisecond: a label, never a base for further reckoning."""
    return _text_of(clip_seconds(clip))


def real_seconds_text(clip: ClipTimes) -> str | None:
    """How long the recording took, like `seconds_text`."""
    return _text_of(clip.real_seconds)


def _text_of(seconds: Fraction | None) -> str | None:
    if seconds is None:
        return None
    milliseconds = round(seconds * 1000)
    return f"{milliseconds // 1000}.{milliseconds % 1000:03d}"


def length_text(clip: ClipTimes) -> str | None:
    """Length as HH:MM:SS:FF at the clip's rate; sound-only clips, which have no frames, as seconds."""
    rate = clip.rate
    if clip.frames is None:
        return None
    if rate is None or clip.frames >= rate.frames_per_day(clip.drop_frame):
        seconds = seconds_text(clip)
        return None if seconds is None else f"{seconds} s"
    return frames_to_text(clip.frames, rate.nominal, clip.drop_frame)


def range_text(clip: ClipTimes, in_frame: int | None, out_frame: int | None) -> str:
    """A place in the clip: its timecode where it has one, else minutes and seconds from its first frame.

    The end is exclusive. Empty for a place that is all of the clip.
    """
    if in_frame is None:
        return ""
    ends = [in_frame] if out_frame is None else [in_frame, out_frame]
    start, per_second = clip.start_timecode, clip.per_second
    if start is not None:
        return "–".join(str(start + frame) for frame in ends)
    if per_second is None:
        return "frame " + "–".join(map(str, ends))
    return "–".join(_minutes(frame / per_second) for frame in ends)


def _minutes(seconds: Fraction) -> str:
    tenths = round(seconds * 10)
    return f"{tenths // 600}:{tenths % 600 / 10:04.1f}"
