"""What was measured of a clip, for a drawing: curves of few points, and where findings lie."""

from __future__ import annotations

import datetime as dt
from fractions import Fraction

from pydantic import Field

from api.reads.measures import Band, ClipMeasures, FileMeasures, Taken
from api.schemas.base import Shape, shown
from shared import models
from shared.models import Severity


class BandCurve(Shape):
    """Seconds of the clip, and the least and greatest value around each: lists of one length."""

    times: list[float]
    low: list[float]
    high: list[float]


class LevelCurve(Shape):
    """One channel: seconds of the clip, with the greatest peak and RMS around each, dB re full scale."""

    channel: int = Field(description="From 1, over all tracks.")
    times: list[float]
    peak: list[float]
    rms: list[float]


class About(Shape):
    version: int = Field(description="Of the way it was measured.")
    measured_at: dt.datetime
    problem: str = Field(description="Why there are no numbers, or not all. Empty: none.")


class PictureMeasures(About):
    read_from: str | None = Field(description="The proxy that was measured in its place.")
    subject: BandCurve | None = Field(description="Natural logarithm of sharpness in the middle.")
    background: BandCurve | None = Field(description="The same around it.")
    light: BandCurve | None = Field(description="Mean light: 0 black, 1 nominal peak.")


class SoundMeasures(About):
    channels: list[LevelCurve] | None


class MeasuredFile(Shape):
    file: int
    path: str
    start: float = Field(description="Where it begins in the clip, s.")
    picture: PictureMeasures | None = Field(description="Null: not measured.")
    sound: SoundMeasures | None = Field(description="Null: not measured.")


class FindingPlace(Shape):
    """A finding that has a place in the clip."""

    id: int
    code: str
    severity: Severity
    channel: int | None
    in_frame: int
    out_frame: int = Field(description="Exclusive.")
    start: float | None = Field(description="Seconds of the clip; a label, not for reckoning.")
    end: float | None
    dismissed: str | None


class SuggestedValue(Shape):
    """For a field of the log that nobody has filled; no word of a person."""

    id: int
    field: str
    value: str
    confidence: float = Field(description="0 to 1.")
    reason: str


class Measures(Shape):
    clip: int
    seconds: float | None
    files: list[MeasuredFile]
    findings: list[FindingPlace]
    suggestions: list[SuggestedValue]


def measures_shape(found: ClipMeasures) -> Measures:
    return Measures(
        clip=found.clip.id,
        seconds=found.seconds,
        files=[_file_shape(one) for one in found.files],
        findings=[_place_shape(one, found.clip.per_second) for one in found.findings],
        suggestions=[suggested_value(one) for one in found.suggestions],
    )


def suggested_value(row: models.Suggestion) -> SuggestedValue:
    return SuggestedValue(
        id=row.id,
        field=row.field,
        value=shown(row.value),
        confidence=row.confidence,
        reason=shown(row.reason),
    )


def _file_shape(one: FileMeasures) -> MeasuredFile:
    return MeasuredFile(
        file=one.file.id,
        path=shown(one.file.path),
        start=round(one.start, 3),
        picture=None if one.picture is None else _picture_shape(one.picture),
        sound=None if one.sound is None else _sound_shape(one.sound),
    )


def _picture_shape(taken: Taken) -> PictureMeasures:
    curves = taken.picture
    return PictureMeasures(
        version=taken.version,
        measured_at=taken.measured_at,
        problem=shown(taken.problem),
        read_from=None if taken.read_from is None else shown(taken.read_from),
        subject=None if curves is None else _band_shape(curves.subject),
        background=None if curves is None else _band_shape(curves.background),
        light=None if curves is None else _band_shape(curves.light),
    )


def _sound_shape(taken: Taken) -> SoundMeasures:
    channels = taken.sound
    return SoundMeasures(
        version=taken.version,
        measured_at=taken.measured_at,
        problem=shown(taken.problem),
        channels=None
        if channels is None
        else [
            LevelCurve(channel=one.channel, times=one.times, peak=one.peak, rms=one.rms) for one in channels
        ],
    )


def _band_shape(band: Band) -> BandCurve:
    return BandCurve(times=band.times, low=band.low, high=band.high)


def _place_shape(row: models.Finding, per_second: Fraction | None) -> FindingPlace:
    assert row.in_frame is not None, "asked for by it"
    after = row.out_frame if row.out_frame is not None else row.in_frame + 1
    return FindingPlace(
        id=row.id,
        code=row.code,
        severity=row.severity,
        channel=row.channel,
        in_frame=row.in_frame,
        out_frame=after,
        start=None if per_second is None else round(float(row.in_frame / per_second), 3),
        end=None if per_second is None else round(float(after / per_second), 3),
        dismissed=row.dismissed,
    )
