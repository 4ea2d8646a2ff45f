"""What is known of a recording, as rows of a label and a text: what is unknown is left out, never guessed."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Sequence

from api.handover.text import one_line, say_length
from api.pages.vocabulary import say_field
from api.pages.words import CERTAINTY_WORDS, READ_AS_WORDS, say_date
from api.reads.clips import WholeClip
from shared.capture import SUGGESTED
from shared.catalogue.channels import Channel
from shared.catalogue.clip_rows import clip_seconds, length_text
from shared.catalogue.pairs import PairRow
from shared.clock_words import tell_span
from shared.models import ChannelSource, Clip, FileRole, TakeFacts

Row = tuple[str, str]

_WATCHED = (FileRole.ESSENCE, FileRole.PROXY)


def take_rows(whole: WholeClip) -> list[Row]:
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
            parts = [f"{say_field(name)} {value}" for name, value in said.items() if name != "source"]
            rows.append((title, f"{_join(*parts)} ({said.get('source', 'source not known')})"))
    return rows


def channel_rows(channels: Sequence[Channel], source: ChannelSource) -> list[Row]:
    """Who is on which channel, as it was logged or as the file's track names suggest."""
    said = [
        (one.channel, _join(one.track, one.microphone or one.kind, one.person))
        for one in channels
        if one.source == source.value
    ]
    return [(f"Channel {channel}", one_line(text)) for channel, text in said if text]


def pair_rows(pairs: Sequence[PairRow], clip: Clip) -> list[Row]:
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


def _say_camera(clip: Clip) -> str:
    if clip.camera is None:
        return ""
    return f"{clip.camera.letter} · {clip.camera.name}" if clip.camera.name else clip.camera.letter


def say_shot(clip: Clip) -> str:
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


def _join(*parts: str | None) -> str:
    return " · ".join(part for part in parts if part)
