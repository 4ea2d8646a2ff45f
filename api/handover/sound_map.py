"""The sound map: what is on each channel of each clip, and which sound belongs to which picture.

Two tables, since a clip may have many of both. The same, raw, is in the shot log's JSON twin.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction

from api.handover.cells import Value, write_table
from api.handover.folder import Draft
from api.handover.shots import Handover, Shot
from api.handover.text import file_name
from shared.catalogue.channels import Channel
from shared.catalogue.clip_rows import range_text
from shared.models import ChannelSource, Finding, Severity, SyncMethod
from shared.plan.pieces import SOUND

FOLDER = "sound_map"
CHANNELS_NAME, PAIRS_NAME = f"{FOLDER}/channels.csv", f"{FOLDER}/pairs.csv"
_CHANNEL_HEADS = (
    *("reel", "file name", "clip id", "channel", "track in the file", "microphone", "kind"),
    *("person", "said by", "problems"),
)
_PAIR_HEADS = (
    *(
        "picture",
        "picture clip id",
        "sound",
        "sound clip id",
        "offset seconds",
        "offset samples",
        "sample rate",
    ),
    *("drift ppm", "both ran seconds", "confidence", "found by", "state"),
)


def write_sound_map(draft: Draft, handover: Handover) -> None:
    """Write `sound_map/channels.csv` and `sound_map/pairs.csv`; neither where nothing has sound."""
    channels = [row for shot in handover.shots for row in _channel_rows(shot)]
    if channels:
        with draft.create(CHANNELS_NAME) as file:
            file.writelines(write_table(_CHANNEL_HEADS, channels))
    if handover.pairs:
        with draft.create(PAIRS_NAME) as file:
            file.writelines(write_table(_PAIR_HEADS, _pair_rows(handover)))


def _channel_rows(shot: Shot) -> Iterator[tuple[Value, ...]]:
    name = file_name(shot.parts[0].file) if shot.parts else None
    for one in shot.channels:
        by = "the log" if one.source == ChannelSource.LOG.value else "the file"
        said = by if one.microphone or one.kind or one.person or one.track else None
        yield (
            *(shot.clip.reel.name, name, shot.clip.id, one.channel, one.track or None, one.microphone),
            *(one.kind, one.person, said, tuple(_problems(shot, one)) or None),
        )


def _problems(shot: Shot, channel: Channel) -> Iterator[str]:
    """What was noticed of this channel, and what of the sound as a whole."""
    for finding in shot.findings:
        of_sound = finding.code.startswith(SOUND)
        if of_sound and finding.channel in (None, channel.channel) and finding.severity is not Severity.NOTE:
            yield _say(shot, finding)


def _say(shot: Shot, finding: Finding) -> str:
    place = range_text(shot.clip, finding.in_frame, finding.out_frame)
    return f"{place}: {finding.message}" if place else finding.message


def _pair_rows(handover: Handover) -> Iterator[tuple[Value, ...]]:
    for pair in handover.pairs:
        # Numbers, not text: a sign before text would be taken for a formula, and guarded.
        drift = None if pair.drift_ppb is None else Decimal(pair.drift_ppb) / 1000
        offset = None if pair.offset_samples is None else Fraction(pair.offset_samples, pair.rate)
        seconds = None if offset is None else Decimal(round(offset * 1000)) / 1000
        by = "sound" if pair.method == SyncMethod.SOUND.value else "the clocks alone"
        yield (
            *(pair.picture, pair.picture_id, pair.sound, pair.sound_id, seconds),
            *(pair.offset_samples, pair.rate, drift, Decimal(pair.overlap_ms) / 1000),
            *(Decimal(f"{pair.confidence:.2f}"), by, pair.state),
        )
