"""What was measured of a clip and noticed in it: curves along its length, findings in words, suggestions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from fastapi import APIRouter, Response

from api.deps import CallerDep, RowId, ServiceDep
from api.handover.text import one_line
from api.pages.forms import FormDep, body_of, go_to
from api.pages.vocabulary import say_field
from api.pages.words import SEVERITY_WORDS
from api.reads.measures import ClipMeasures, FileMeasures
from api.routes.findings import finding_tag, patch_finding
from api.routes.suggestions import take_suggestions
from api.schemas.clips import FindingPatch
from api.schemas.edits import AcceptBody
from shared.catalogue.clip_rows import range_text
from shared.models import Clip, Finding, Suggestion
from shared.vocabulary import Vocabulary

router = APIRouter()

POINTS = 160  # of a curve
WIDE, TALL = 600, 48  # units of a drawing
SHOWN_CHANNELS = 8
FLOOR_DB = -72.0  # the foot of a level's drawing; below it nothing is drawn
SOUND = "sound-"  # how the codes of findings about sound begin


@dataclass(frozen=True, slots=True)
class Place:
    """A part of the clip that can be played. `first` and `after` frames; `x`, `width`: where it is drawn."""

    words: str
    href: str
    first: int
    x: float
    width: float


@dataclass(frozen=True, slots=True)
class FindingView:
    """`number` with its unit; `rule`: what it broke. `message` says what to do, too. `tag`: its version."""

    id: int
    severity: str
    message: str
    number: str
    rule: str
    where: str
    place: Place | None
    dismissed: str | None
    tag: str


@dataclass(frozen=True, slots=True)
class Curve:
    """A drawing: `area` and `line` as SVG paths (SVG 2, 9.3), `marks` the places of open findings."""

    title: str
    about: str
    area: str
    line: str
    marks: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class SuggestionView:
    """`label`: the value as the vocabulary has it; `percent`: how sure."""

    id: int
    field: str
    name: str
    label: str
    percent: int
    reason: str


@dataclass(frozen=True, slots=True)
class Played:
    """A file of the clip, from one of its frames on, at an address; empty: no browser plays it."""

    first: int
    href: str


def view_findings(findings: Sequence[Finding], clip: Clip, parts: Sequence[Played]) -> list[FindingView]:
    """In the order of their places; those of no place first."""
    ordered = sorted(findings, key=lambda one: (-1 if one.in_frame is None else one.in_frame, one.id))
    return [_view_finding(one, clip, parts) for one in ordered]


def _view_finding(one: Finding, clip: Clip, parts: Sequence[Played]) -> FindingView:
    whole = one.in_frame is None
    number = "" if one.value is None else f"{one.value:.4g} {one.unit}".strip()
    channel = f"channel {one.channel}" if one.channel is not None else ""
    file = one_line(one.file.path) if one.file is not None and one.clip_id is None else ""
    return FindingView(
        id=one.id,
        severity=SEVERITY_WORDS[one.severity],
        message=one_line(one.message),
        number=number,
        rule=one_line(one.rule),
        where=", ".join(part for part in (channel, file) if part),
        place=None if whole else _place(one, clip, parts),
        dismissed=None if one.dismissed is None else one_line(one.dismissed),
        tag=finding_tag(one),
    )


def _place(one: Finding, clip: Clip, parts: Sequence[Played]) -> Place:
    assert one.in_frame is not None, "asked for by it"
    after = one.out_frame if one.out_frame is not None else one.in_frame + 1
    length = max(clip.frames or after, after, 1)
    x, end = (round(WIDE * frame / length, 1) for frame in (one.in_frame, after))
    return Place(
        words=range_text(clip, one.in_frame, one.out_frame),
        href=_address(one.in_frame, after, clip.per_second, parts),
        first=one.in_frame,
        x=x,
        width=max(3.0, round(end - x, 1)),
    )


def _address(first: int, after: int, per_second: Fraction | None, parts: Sequence[Played]) -> str:
    """Where a browser plays it without script: a media fragment (W3C Media Fragments URI 1.0, 4.2.1)."""
    part = next((one for one in reversed(parts) if one.first <= first), None)
    if part is None or not part.href or not per_second:
        return "#stage"
    begin, end = (float((frame - part.first) / per_second) for frame in (first, after))
    return f"{part.href}#t={begin:.3f},{end:.3f}"


# -- curves -------------------------------------------------------------------------------------------


def draw_curves(measured: ClipMeasures, findings: Sequence[FindingView]) -> list[Curve]:
    """Sharpness of the picture and the level of each channel of the sound, where they were measured."""
    rows = {row.id: row for row in measured.findings}
    marked = [(rows[one.id], one.place) for one in findings if one.place and one.id in rows]
    marked = [(row, place) for row, place in marked if row.dismissed is None]
    seconds = measured.seconds or 0.0
    if seconds <= 0:
        return []
    pictures = [place for row, place in marked if not row.code.startswith(SOUND)]
    return [
        *_sharpness(measured.files, seconds, pictures),
        *_levels(measured.files, seconds, [one for one in marked if one[0].code.startswith(SOUND)]),
    ]


def _sharpness(files: Sequence[FileMeasures], seconds: float, marks: Sequence[Place]) -> Iterator[Curve]:
    taken = [one.picture.picture for one in files if one.picture is not None and one.picture.picture]
    for title, bands in (
        ("Sharpness in the middle", [one.subject for one in taken]),
        ("Sharpness around it", [one.background for one in taken]),
    ):
        times = [time for band in bands for time in band.times]
        low = [value for band in bands for value in band.low]
        high = [value for band in bands for value in band.high]
        if not times:
            continue
        foot, head = min(low), max(high)
        span = max(head - foot, 0.5)  # what hardly differs is drawn as hardly differing
        about = f"ln {foot:.2f} to {head:.2f}"
        area = _area(times, [(v - foot) / span for v in low], [(v - foot) / span for v in high], seconds)
        middle = [((a + b) / 2 - foot) / span for a, b in zip(low, high, strict=True)]
        yield Curve(title, about, area, _path(times, middle, seconds), tuple(marks))


def _levels(
    files: Sequence[FileMeasures], seconds: float, marked: Sequence[tuple[Finding, Place]]
) -> Iterator[Curve]:
    channels = [
        channel for one in files if one.sound is not None and one.sound.sound for channel in one.sound.sound
    ]
    for number in sorted({one.channel for one in channels})[:SHOWN_CHANNELS]:
        own = [one for one in channels if one.channel == number]
        times = [time for one in own for time in one.times]
        peaks = [_level(value) for one in own for value in one.peak]
        powers = [_level(value) for one in own for value in one.rms]
        if not times:
            continue
        loudest = max(value for one in own for value in one.peak)
        about = f"peak {loudest:.1f} dBFS" if loudest > FLOOR_DB else "silent"
        area = _area(times, [0.0] * len(times), peaks, seconds)
        marks = tuple(place for row, place in marked if row.channel in (None, number))
        yield Curve(f"Sound, channel {number}", about, area, _path(times, powers, seconds), marks)


def _level(decibels: float) -> float:
    """0 at the foot, 1 at full scale."""
    return min(1.0, max(0.0, 1 - decibels / FLOOR_DB))


def _points(times: Sequence[float], heights: Sequence[float], seconds: float) -> list[str]:
    return [
        f"{WIDE * min(1.0, max(0.0, time / seconds)):.0f},{1 + (TALL - 2) * (1 - height):.0f}"
        for time, height in zip(times, heights, strict=True)
    ]


def _path(times: Sequence[float], heights: Sequence[float], seconds: float) -> str:
    return "M" + " ".join(_points(times, heights, seconds))


def _area(times: Sequence[float], low: Sequence[float], high: Sequence[float], seconds: float) -> str:
    there, back = _points(times, high, seconds), _points(times, low, seconds)
    return f"M{' '.join([*there, *reversed(back)])}Z"


# -- suggestions --------------------------------------------------------------------------------------


def view_suggestions(rows: Sequence[Suggestion], vocabulary: Vocabulary) -> list[SuggestionView]:
    return [
        SuggestionView(
            id=row.id,
            field="tags" if row.field == "tag" else row.field,
            name=say_field(row.field),
            label=one_line(row.value if row.field == "tag" else _label(vocabulary, row)),
            percent=round(row.confidence * 100),
            reason=one_line(row.reason),
        )
        for row in rows
    ]


def _label(vocabulary: Vocabulary, row: Suggestion) -> str:
    return next((term.label for term in vocabulary.terms(row.field) if term.code == row.value), row.value)


# -- what their forms do ------------------------------------------------------------------------------


@router.post("/clips/{id}/findings/{finding}")
def put_away(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId, finding: RowId) -> Response:
    """Dismiss a finding with a reason, or bring it back: `back` says which."""
    reason = None if form.text("back") else form.text("reason")
    patch_finding(
        service,
        finding,
        body_of(FindingPatch, {"dismissed": reason}),
        Response(),
        caller,
        form.text("tag") or None,
    )
    return go_to(f"/clips/{id}#finding-{finding}")


@router.post("/clips/{id}/suggestions")
def take_over(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    """Take over the suggestion that was pressed, or all of them."""
    values: dict[str, object] = {"clips": [id]}
    if form.text("suggestion") != "all":
        values["only"] = [form.number("suggestion")]
    take_suggestions(
        service, body_of(AcceptBody, values), Response(), caller, form.text("production") or None
    )
    return go_to(f"/clips/{id}#log-head")
