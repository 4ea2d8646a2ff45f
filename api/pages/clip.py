"""One clip: its stills, what its files say, what people say, its copies and findings."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Response

from api.deps import RowId, ServiceDep
from api.handover.text import one_line, plain_text, say_length, short_name
from api.pages.cards import show_still, term_labels
from api.pages.site import SiteDep, link
from api.pages.words import (
    CERTAINTY_WORDS,
    COPY_WORDS,
    READ_AS_WORDS,
    SEVERITY_WORDS,
    say_bytes,
    say_date,
    say_list,
)
from api.reads.clips import WholeClip, read_clip
from shared.capture import SUGGESTED
from shared.catalogue.channels import Channel, list_channels
from shared.catalogue.clip_rows import clip_seconds, length_text
from shared.catalogue.log import production_vocabulary
from shared.catalogue.pairs import PairRow, pairs_of
from shared.clock_words import tell_span
from shared.db import reading
from shared.models import ChannelSource, Clip, CopyState, FileRole, Finding, LogEntry, TakeFacts
from shared.query_fields import TERM_FIELDS
from shared.vocabulary import Vocabulary

router = APIRouter()

_WATCHED = (FileRole.ESSENCE, FileRole.PROXY)

Row = tuple[str, str]


@dataclass(frozen=True, slots=True)
class FileView:
    """One file. `copies`: place, state in words, and whether it is as it should be."""

    path: str
    role: str
    size: str
    digest: str
    problem: str
    copies: tuple[tuple[str, str, bool], ...]


@dataclass(frozen=True, slots=True)
class FindingView:
    severity: str
    message: str
    place: str
    dismissed: str


@router.get("/clips/{id}")
def show_clip(service: ServiceDep, site: SiteDep, id: RowId) -> Response:
    with reading(service.sessions) as session:
        whole = read_clip(session, id)
        clip = whole.clip
        vocabulary = production_vocabulary(session, clip.production, service.vocabulary)
        channels = list_channels(session, clip, vocabulary)
        name = short_name(clip)
        return site.render(
            "clip.html",
            production=clip.production,
            name=name,
            reel=clip.reel.name,
            shot=_say_shot(clip),
            day=clip.day,
            day_link=link(f"/days/{clip.day.number}", production=clip.production.slug) if clip.day else "",
            stills=[show_still(one, name, service.settings.stills_folder) for one in clip.stills],
            take=[*_take_rows(whole), *_channel_rows(channels, ChannelSource.FILE)],
            logged=[
                *_log_rows(whole.entry, vocabulary),
                *_channel_rows(channels, ChannelSource.LOG),
                *_pair_rows(pairs_of(session, [clip.id]), clip),
            ],
            note=plain_text(whole.entry.note) if whole.entry is not None else "",
            files=[_view_file(whole, index) for index in range(len(clip.files))],
            findings=[_view_finding(finding, clip) for finding in whole.findings],
            moments=[
                (one_line(one.name), say_range(clip, one.in_frame, one.out_frame)) for one in whole.moments
            ],
        )


def _take_rows(whole: WholeClip) -> list[Row]:
    """What is known of the recording; what is unknown is left out and never guessed."""
    clip = whole.clip
    seconds = clip_seconds(clip)
    rows = [
        ("Camera", _say_camera(clip)),
        ("Lens", _say_lens(clip)),
        ("Time", _say_certainty(clip)),
        (
            "Length",
            " · ".join(part for part in (length_text(clip), say_length(seconds)) if part) if seconds else "",
        ),
        ("Rate", _say_rate(clip)),
        ("Taken at", _say_capture(clip)),
        ("Start timecode", str(clip.start_timecode or "")),
    ]
    # The take's own files come first; where only a proxy of it is there, that is what can be told of.
    watched = [part.file_id for role in _WATCHED for part in clip.files if part.role is role]
    facts = next((whole.facts[key] for key in watched if key in whole.facts), None)
    if facts is not None:
        rows += [("Timecode from", _say_timecode(facts)), ("Stamp", _say_stamp(clip, facts))]
        rows += _facts_rows(facts)
    return [(label, one_line(text)) for label, text in rows if text]


def _say_timecode(facts: TakeFacts) -> str:
    """Where it stood, and what the file's own last field counts where that can be read in two ways."""
    counts = facts.more.get("timecode_counts")
    return _join(facts.timecode_source, f"its last field counts {counts}" if counts else "")


def _say_stamp(clip: Clip, facts: TakeFacts) -> str:
    """The stamp as the file has it, the rule it was read by, and what was added: the way to the time."""
    correction = dt.timedelta(milliseconds=clip.shot_correction_ms)
    return _join(
        facts.recorded_raw,
        clip.shot_source,
        f"read as {READ_AS_WORDS.get(clip.shot_read_as, clip.shot_read_as)}" if clip.shot_read_as else "",
        f"corrected by {tell_span(correction)}" if correction else "",
    )


def _facts_rows(facts: TakeFacts) -> list[Row]:
    picture = f"{facts.width} × {facts.height}" if facts.width and facts.height else ""
    depth = f"{facts.bit_depth} bits" if facts.bit_depth else ""
    sampling = f"{facts.audio_rate} Hz" if facts.audio_rate else ""
    channels = f"{facts.audio_channels} channels" if facts.audio_channels else ""
    bits = f"{facts.audio_bits} bits" if facts.audio_bits else ""
    return [
        ("Container", facts.container or ""),
        ("Picture", _join(facts.video_codec, picture, depth, facts.chroma)),
        ("Colour", _join(facts.colour_primaries, facts.transfer, facts.matrix, facts.colour_range)),
        ("Sound", _join(facts.audio_codec, sampling, bits, channels)),
        *_taken_rows(facts),
    ]


def _taken_rows(facts: TakeFacts) -> list[Row]:
    """What the file itself says of lens, exposure and position, and by which standard."""
    rows: list[Row] = []
    for key, title in (("lens", "Lens, by the file"), ("exposure", "Exposure"), ("position", "Position")):
        said = facts.more.get(key)
        if isinstance(said, dict):
            parts = [f"{_say_field(name)} {value}" for name, value in said.items() if name != "source"]
            rows.append((title, f"{_join(*parts)} ({said.get('source', 'source not known')})"))
    return rows


def _log_rows(entry: LogEntry | None, vocabulary: Vocabulary) -> list[Row]:
    if entry is None:
        return []
    rows = [(_say_field(field), label) for field, label in term_labels(entry, vocabulary, TERM_FIELDS)]
    rows += [
        ("Subject", entry.subject),
        ("People", say_list([person.name for person in entry.people])),
        ("Place", entry.place),
        ("Scene", entry.scene),
        ("Language", entry.language),
        ("Tags", ", ".join(tag.name for tag in entry.tags)),
    ]
    return [(label, one_line(text)) for label, text in rows if text]


def _channel_rows(channels: Sequence[Channel], source: ChannelSource) -> list[Row]:
    """Who is on which channel, as it was logged or as the file's track names suggest."""
    said = [
        (one.channel, _join(one.track, one.microphone or one.kind, one.person))
        for one in channels
        if one.source == source.value
    ]
    return [(f"Channel {channel}", one_line(text)) for channel, text in said if text]


def _pair_rows(pairs: Sequence[PairRow], clip: Clip) -> list[Row]:
    """Which sound belongs to this picture, or which picture to this sound."""
    return [
        (
            "In sync with",
            one_line(
                f"{one.sound if one.picture_id == clip.id else one.picture}: the picture begins "
                f"{one.offset_text} into the sound ({one.state}, confidence {one.confidence:.2f})"
            ),
        )
        for one in pairs
    ]


def _view_file(whole: WholeClip, index: int) -> FileView:
    part = whole.clip.files[index]
    file = part.file
    return FileView(
        path=one_line(file.path),
        role=part.role.value,
        size=say_bytes(file.size),
        digest=f"{file.algorithm} {file.digest}" if file.digest else "",
        problem=one_line(file.problem or ""),
        copies=tuple(
            (
                one_line(copy.destination.name or copy.destination.path),
                COPY_WORDS[copy.state],
                copy.state is CopyState.VERIFIED,
            )
            for copy in file.copies
        ),
    )


def _view_finding(finding: Finding, clip: Clip) -> FindingView:
    place = ""
    if finding.in_frame is not None:
        place = say_range(clip, finding.in_frame, finding.out_frame)
    elif finding.file is not None:
        place = one_line(finding.file.path)
    return FindingView(
        severity=SEVERITY_WORDS[finding.severity],
        message=one_line(finding.message),
        place=place,
        dismissed=one_line(finding.dismissed or ""),
    )


def say_range(clip: Clip, in_frame: int, out_frame: int | None) -> str:
    """A place in the clip, by its timecode where it has one, else by frames. The end is exclusive."""
    start = clip.start_timecode
    ends: Sequence[int] = [in_frame] if out_frame is None else [in_frame, out_frame]
    if start is None:
        return "frame " + "–".join(map(str, ends))
    return "–".join(str(start + frame) for frame in ends)


def _say_camera(clip: Clip) -> str:
    if clip.camera is None:
        return ""
    return f"{clip.camera.letter} · {clip.camera.name}" if clip.camera.name else clip.camera.letter


def _say_shot(clip: Clip) -> str:
    """Wall clock of the production."""
    if clip.shot_at is None:
        return ""
    at = clip.shot_at.astimezone(zoneinfo.ZoneInfo(clip.production.zone))
    return f"{say_date(at.date())}, {at:%H:%M:%S} {at.tzname()}"


def _say_certainty(clip: Clip) -> str:
    if clip.shot_at is None:
        return "not known"
    return CERTAINTY_WORDS.get(clip.shot_certainty, clip.shot_certainty)


def _say_rate(clip: Clip) -> str:
    rate = clip.rate
    if rate is None:
        return ""
    exact = f" ({rate})" if rate.label != str(rate) else ""
    return f"{rate.label} frames a second{exact}" + (", drop-frame" if clip.drop_frame else "")


def _say_lens(clip: Clip) -> str:
    if clip.lens is None:
        return ""
    return f"{clip.lens.name} (assumed: the camera's usual lens)" if clip.lens_assumed else clip.lens.name


def _say_capture(clip: Clip) -> str:
    """The rate of the taking, and how long it took as against how long it plays."""
    rate, real = clip.capture_rate, clip.real_seconds
    if rate is None or rate == clip.per_second or real is None:
        return ""
    sure = " (suggested by its times)" if clip.capture_certainty == SUGGESTED else ""
    return f"{float(rate):g} frames a second{sure}; the taking took {say_length(real)}"


def _say_field(field: str) -> str:
    return {"int_ext": "Inside or outside"}.get(field, field.replace("_", " ").capitalize())


def _join(*parts: str | None) -> str:
    return " · ".join(part for part in parts if part)
