"""What was measured of a clip, thinned to as many points as a drawing needs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from api.reads.clips import check_clip, findings_of
from shared.catalogue.suggestions import open_suggestions
from shared.models import (
    Clip,
    ClipFile,
    ClipMedia,
    File,
    FileRole,
    Finding,
    MeasureKind,
    Measurement,
    Suggestion,
    TakeFacts,
)
from shared.models.measures import READ_VERSIONS

OTHER_VERSION = "It was measured by another version of the program: `rushlight judge --measure`."
Curve = Sequence[tuple[float, tuple[float, ...]]]  # second, values


@dataclass(frozen=True, slots=True)
class Band:
    """A curve thinned: the least and the greatest value around each time, second by second of the clip."""

    times: list[float] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class ChannelCurves:
    """`channel` from 1. Peaks and RMS in dB re full scale, the greatest around each time."""

    channel: int
    times: list[float]
    peak: list[float]
    rms: list[float]


@dataclass(frozen=True, slots=True)
class PictureCurves:
    """Natural logarithm of sharpness in the middle and around it, and the mean light, 0 black to 1 peak."""

    subject: Band
    background: Band
    light: Band


@dataclass(frozen=True, slots=True)
class Taken:
    """One measurement of one file. `read_from`: the proxy it was taken of. `problem`: what is lacking."""

    version: int
    measured_at: dt.datetime
    problem: str
    read_from: str | None
    picture: PictureCurves | None = None
    sound: Sequence[ChannelCurves] | None = None


@dataclass(frozen=True, slots=True)
class FileMeasures:
    """`start`: where the file begins in the clip, s."""

    file: File
    start: float
    picture: Taken | None
    sound: Taken | None


@dataclass(frozen=True, slots=True)
class ClipMeasures:
    """`seconds` long; None: not known."""

    clip: Clip
    seconds: float | None
    files: tuple[FileMeasures, ...]
    findings: tuple[Finding, ...]
    suggestions: tuple[Suggestion, ...]


def read_measures(session: Session, clip_id: int, points: int) -> ClipMeasures:
    """Everything that was measured of a clip, with `points` points a curve at most. Raises NotFoundError."""
    check_clip(session, clip_id)
    clip = session.get_one(Clip, clip_id)
    parts = session.execute(
        select(ClipFile, TakeFacts)
        .outerjoin(TakeFacts, TakeFacts.file_id == ClipFile.file_id)
        .where(ClipFile.clip_id == clip_id, ClipFile.role == FileRole.ESSENCE)
        .order_by(ClipFile.ordinal)
        .options(joinedload(ClipFile.file))
    ).all()
    rows: dict[tuple[int, MeasureKind], Measurement] = {
        (row.file_id, row.kind): row
        for row in session.scalars(
            select(Measurement)
            .where(Measurement.file_id.in_([part.file_id for part, _ in parts]))
            .options(joinedload(Measurement.read_from))
        )
    }
    files, offset = [], 0
    for part, facts in parts:
        start = float(offset / clip.per_second) if clip.per_second else 0.0
        picture = rows.get((part.file_id, MeasureKind.PICTURE))
        sound = rows.get((part.file_id, MeasureKind.SOUND))
        files.append(
            FileMeasures(part.file, start, _taken(picture, start, points), _taken(sound, start, points))
        )
        if facts is not None:
            offset += (facts.frames if clip.media is ClipMedia.VIDEO else facts.samples) or 0
    seconds = None if clip.frames is None or not clip.per_second else float(clip.frames / clip.per_second)
    findings = session.scalars(
        findings_of(clip_id).where(Finding.in_frame.is_not(None)).order_by(Finding.in_frame, Finding.id)
    )
    suggested = tuple(one.suggestion for one in open_suggestions(session, [clip_id]))
    return ClipMeasures(clip, seconds, tuple(files), tuple(findings), suggested)


def _taken(row: Measurement | None, start: float, points: int) -> Taken | None:
    if row is None:
        return None
    read_from = None if row.read_from is None else row.read_from.path
    about = (row.version, row.measured_at)
    if row.version != READ_VERSIONS[row.kind]:
        return Taken(*about, OTHER_VERSION, read_from)
    if row.numbers is None:
        return Taken(*about, row.problem, read_from)
    if row.kind is MeasureKind.PICTURE:
        return Taken(*about, row.problem, read_from, picture=_picture(row.numbers, start, points))
    channels = [_channel(one, start, points) for one in row.numbers["channels"]]
    return Taken(*about, row.problem, read_from, sound=channels)


def _picture(numbers: Mapping[str, Any], start: float, points: int) -> PictureCurves:
    """The pictures looked at one by one, and those of the stretches that were looked at whole."""
    curve = sorted(_sharpness(numbers))
    light = [(one["time"], (one["levels"]["mean"],)) for one in numbers["samples"]]
    subject, background = (_band(curve, which, start, points) for which in (0, 1))
    return PictureCurves(subject, background, _band(light, 0, start, points))


def _sharpness(numbers: Mapping[str, Any]) -> Iterator[tuple[float, tuple[float, ...]]]:
    for one in numbers["samples"]:
        yield one["time"], (one["subject"], one["background"])
    for stretch in numbers["stretches"]:
        for number, values in enumerate(stretch["sharpness"]):
            yield stretch["start"] + number * stretch["sharpness_step"], tuple(values)


def _band(curve: Curve, which: int, start: float, points: int) -> Band:
    band = Band()
    for some in _groups([(time, values[which]) for time, values in curve], points):
        values = [value for _, value in some]
        band.times.append(_middle(some, start))
        band.low.append(round(min(values), 4))
        band.high.append(round(max(values), 4))
    return band


def _channel(one: Mapping[str, Any], start: float, points: int) -> ChannelCurves:
    step, first = one["curve_seconds"], one["start"] + one["curve_seconds"] / 2
    peaks, levels = (
        _groups([(first + number * step, value) for number, value in enumerate(one[name])], points)
        for name in ("peak_curve", "rms_curve")
    )
    return ChannelCurves(
        one["number"] + 1,
        [_middle(some, start) for some in peaks],
        [max(value for _, value in some) for some in peaks],
        [max(value for _, value in some) for some in levels],
    )


def _groups(curve: Sequence[tuple[float, float]], points: int) -> list[Sequence[tuple[float, float]]]:
    """At most `points` groups of neighbours, of equal length in time; none of them empty."""
    if len(curve) <= points:
        return [[one] for one in curve]
    begin, end = curve[0][0], curve[-1][0]
    each = max(end - begin, 1e-6) / points
    groups: dict[int, list[tuple[float, float]]] = {}
    for time, value in curve:
        groups.setdefault(min(points - 1, int((time - begin) / each)), []).append((time, value))
    return [groups[number] for number in sorted(groups)]


def _middle(some: Sequence[tuple[float, float]], start: float) -> float:
    return round(start + (some[0][0] + some[-1][0]) / 2, 3)
