"""Clips, with their stills, files, take facts and findings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from api.reads.clips import WholeClip
from api.reads.stills import still_link
from api.schemas.base import Body, Listing, Shape, UsableText, shown, shown_json
from api.schemas.log import LogEntry, entry_shape
from shared import models
from shared.catalogue.clip_rows import length_text, real_seconds_text, seconds_text
from shared.catalogue.excerpts import Excerpt as FoundExcerpt
from shared.models import ClipMedia, CopyState, FileRole, Severity, StillKind


class Still(Shape):
    id: int
    kind: StillKind
    frame: int | None = Field(description="Counted from the clip's first frame.")
    width: int
    height: int
    href: str = Field(description="Address of the image; its content never changes.")


class Finding(Shape):
    """Something a program noticed: the number, the place and the rule."""

    id: int
    code: str
    severity: Severity
    message: str
    file: str | None = Field(description="The file it is about; null: the whole clip.")
    value: float | None
    unit: str
    rule: str
    channel: int | None = Field(description="Of the sound, from 1; null: not about one channel.")
    in_frame: int | None
    out_frame: int | None = Field(description="Exclusive.")
    dismissed: str | None = Field(description="A person's reason for dismissing it.")
    created_at: dt.datetime


class FindingPatch(Body):
    """A reason dismisses the finding: it is kept, and counts no longer. Null brings it back."""

    dismissed: Annotated[UsableText, Field(min_length=1, max_length=2000)] | None


class ClipSummary(Shape):
    """One continuous recording. The names are those of `rushlight find --json`."""

    id: int
    name: str
    media: ClipMedia
    reel: str
    camera: str | None
    lens: str | None
    lens_assumed: bool = Field(description="It is the camera's usual lens; nobody and no file says so.")
    day: int | None
    date: dt.date | None = Field(description="Of the shooting day.")
    shot_at: dt.datetime | None = Field(description="Start of the recording; null: not known.")
    shot_certainty: str = Field(description="How sure that is.")
    shot_source: str = Field(description="The stamp it was read from.", examples=["movie header: start"])
    shot_read_as: str = Field(description="The rule its digits were read by: stated, local, utc or file.")
    shot_correction_ms: int = Field(description="What was added to it: true minus shown.")
    rate: str | None = Field(
        description="Frames a second, exact; of a sound-only clip its sampling rate.",
        examples=["25", "30000/1001"],
    )
    capture_rate: str | None = Field(
        description="Frames a second at which it was taken, exact; null: not known to differ from `rate`."
    )
    capture_certainty: str = Field(description="Of the capture rate: stated, suggested or none.")
    drop_frame: bool
    frames: int | None = Field(description="Length in frames of `rate`.")
    start_frame: int | None = Field(description="Start timecode as a count; null: the file carries none.")
    start: str | None = Field(description="Start timecode.", examples=["10:00:00:00"])
    length: str | None = Field(description="Length as timecode; of sound in seconds.")
    seconds: str | None = Field(description="Length rounded to a millisecond: a label, not for reckoning.")
    real_seconds: str | None = Field(description="How long the taking took, in the same way.")
    log: LogEntry
    findings: list[str] = Field(description="Codes of the findings that nobody has dismissed.")
    stills: list[Still]


class Piece(Shape):
    text: str = Field(description="Plain text, as it was written; whoever shows it escapes it.")
    hit: bool = Field(description="Whether this is what the query looked for.")


class Excerpt(Shape):
    """A part of one text of a clip, in pieces; "…" stands where it was cut."""

    field: str = Field(examples=["note"], description="Of which text: note, subject, tag, moment, file …")
    pieces: list[Piece]
    cue: int | None = Field(default=None, description="Where it is heard: the number of the cue …")
    frame: int | None = Field(default=None, description="… and the clip's frame at which that cue begins.")


class FoundClip(ClipSummary):
    excerpts: list[Excerpt] = Field(description="Where the query's words stand, if that was asked for.")


class ClipPage(Listing[FoundClip]):
    total: int = Field(description="How many clips the query finds on all pages together.")


class Copy(Shape):
    destination: str
    state: CopyState
    verified_at: dt.datetime | None
    problem: str | None


class Hash(Shape):
    algorithm: str
    value: str | None = Field(description="Null: the file was never read whole.")


class TakeFacts(Shape):
    """What one file says of itself. Null: it does not say; nothing is guessed."""

    container: str | None
    video_codec: str | None
    width: int | None
    height: int | None
    rotation: int | None
    pixel_aspect: str | None
    rate: str | None
    rate_mode: str | None
    frames: int | None
    start_timecode: str | None
    timecode_source: str | None
    bit_depth: int | None
    chroma: str | None
    colour_primaries: str | None
    transfer: str | None
    matrix: str | None
    colour_range: str | None
    scan: str | None
    audio_codec: str | None
    audio_channels: int | None
    audio_tracks: int | None
    audio_rate: int | None
    audio_bits: int | None
    samples: int | None
    recorded_raw: str | None = Field(description="The stamp of the recording, untouched.")
    recorded_field: str | None
    recorded_zone: str | None = Field(description="How sure its zone is.")
    more: dict[str, Any]


class ClipFile(Shape):
    id: int
    content: str = Field(description="Address of its bytes, as long as a copy of it is at hand.")
    path: str = Field(description="On the card.")
    role: FileRole
    size: int
    hash: Hash
    problem: str | None
    copies: list[Copy]
    facts: TakeFacts | None


class Moment(Shape):
    """A marked range of the clip, in frames from its first."""

    id: int
    in_frame: int
    out_frame: int = Field(description="Exclusive.")
    name: str


class Clip(ClipSummary):
    production: str
    files: list[ClipFile]
    moments: list[Moment]


class FacetValue(Shape):
    value: str = Field(description="As a query takes it.")
    label: str
    count: int


class Facets(Shape):
    total: int = Field(description="How many clips the query finds.")
    fields: dict[str, list[FacetValue]] = Field(description="Values that occur among them, by field.")
    left_out: dict[str, int] = Field(description="How many values were left out, by field; see `most`.")


def clip_summary(
    row: models.Clip,
    entry: models.LogEntry | None,
    stills: Sequence[models.Still],
    findings: Sequence[str],
    stills_folder: Path,
    excerpts: Sequence[FoundExcerpt] = (),
) -> FoundClip:
    return FoundClip(
        **_summary_values(row, entry, stills, findings, stills_folder),
        excerpts=[
            Excerpt(
                field=one.field,
                pieces=[Piece(text=shown(p.text), hit=p.hit) for p in one.pieces],
                cue=one.cue,
                frame=one.frame,
            )
            for one in excerpts
        ],
    )


def clip_shape(whole: WholeClip, stills_folder: Path) -> Clip:
    row = whole.clip
    codes = dict.fromkeys(finding.code for finding in whole.findings if finding.dismissed is None)
    return Clip(
        **_summary_values(row, whole.entry, row.stills, list(codes), stills_folder),
        production=row.production.slug,
        files=[_file_shape(part, whole.facts.get(part.file_id)) for part in row.files],
        moments=[
            Moment(id=one.id, in_frame=one.in_frame, out_frame=one.out_frame, name=one.name)
            for one in whole.moments
        ],
    )


def finding_shape(row: models.Finding) -> Finding:
    return Finding(
        id=row.id,
        code=row.code,
        severity=row.severity,
        message=shown(row.message),
        file=shown(row.file.path) if row.file is not None else None,
        value=row.value,
        unit=row.unit,
        rule=row.rule,
        channel=row.channel,
        in_frame=row.in_frame,
        out_frame=row.out_frame,
        dismissed=row.dismissed,
        created_at=row.created_at,
    )


def still_shape(row: models.Still, folder: Path) -> Still:
    return Still(
        id=row.id,
        kind=row.kind,
        frame=row.frame,
        width=row.width,
        height=row.height,
        href=still_link(folder, row),
    )


def _summary_values(
    row: models.Clip,
    entry: models.LogEntry | None,
    stills: Sequence[models.Still],
    findings: Sequence[str],
    stills_folder: Path,
) -> dict[str, Any]:
    timecode = row.start_timecode
    return {
        "id": row.id,
        "name": shown(row.name),
        "media": row.media,
        "reel": row.reel.name,
        "camera": row.camera.letter if row.camera is not None else None,
        "lens": row.lens.name if row.lens is not None else None,
        "lens_assumed": row.lens_assumed,
        "day": row.day.number if row.day is not None else None,
        "date": row.day.date if row.day is not None else None,
        "shot_at": row.shot_at,
        "shot_certainty": row.shot_certainty,
        "shot_source": shown(row.shot_source),
        "shot_read_as": row.shot_read_as,
        "shot_correction_ms": row.shot_correction_ms,
        "rate": str(row.per_second) if row.per_second is not None else None,
        "capture_rate": str(row.capture_rate) if row.capture_rate is not None else None,
        "capture_certainty": row.capture_certainty,
        "drop_frame": row.drop_frame,
        "frames": row.frames,
        "start_frame": row.start_frame,
        "start": str(timecode) if timecode is not None else None,
        "length": length_text(row),
        "seconds": seconds_text(row),
        "real_seconds": real_seconds_text(row),
        "log": entry_shape(entry),
        "findings": list(findings),
        "stills": [still_shape(still, stills_folder) for still in stills],
    }


_FACTS_AS_THEY_ARE = set(TakeFacts.model_fields) - {"rate", "more"}


def _facts_shape(row: models.TakeFacts) -> TakeFacts:
    rate = None if row.rate_num is None or row.rate_den is None else f"{row.rate_num}/{row.rate_den}"
    return TakeFacts(
        rate=rate.removesuffix("/1") if rate is not None else None,
        more=shown_json(row.more),
        **{name: getattr(row, name) for name in _FACTS_AS_THEY_ARE},
    )


def _file_shape(part: models.ClipFile, facts: models.TakeFacts | None) -> ClipFile:
    file = part.file
    return ClipFile(
        id=file.id,
        content=f"/api/v1/files/{file.id}/content",
        path=shown(file.path),
        role=part.role,
        size=file.size,
        hash=Hash(algorithm=file.algorithm, value=file.digest),
        problem=file.problem,
        copies=[
            Copy(
                destination=shown(copy.destination.name or copy.destination.path),
                state=copy.state,
                verified_at=copy.verified_at,
                problem=copy.problem,
            )
            for copy in file.copies
        ],
        facts=_facts_shape(facts) if facts is not None else None,
    )
