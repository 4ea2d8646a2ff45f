"""What was said in the two interviews, as WebVTT for each clip that holds the words."""

from __future__ import annotations

import re
from importlib import resources

from sample_media.production import Clip
from sample_media.recipe import count_samples
from sample_media.sound import SAMPLE_RATE, SOURCES, Words

_TIME = re.compile(r"(\d\d):(\d\d):(\d\d)\.(\d{3})")


def transcript_of(clip: Clip) -> str | None:
    """The words with times since the clip's first frame; None for a clip in which none are spoken."""
    source = SOURCES.get(clip.sound)
    if source is None or not isinstance(source.voice, Words):
        return None
    later = (source.voice.first - count_samples(clip.start)) * 1000 // SAMPLE_RATE
    kept = resources.files("sample_media").joinpath("speech", f"{source.voice.name}.vtt")
    return _TIME.sub(lambda time: _shift(time, later), kept.read_text(encoding="utf-8"))


def _shift(time: re.Match[str], later: int) -> str:
    hours, minutes, seconds, thousandths = map(int, time.groups())
    total = ((hours * 60 + minutes) * 60 + seconds) * 1000 + thousandths + later
    return f"{total // 3_600_000:02d}:{total // 60_000 % 60:02d}:{total // 1000 % 60:02d}.{total % 1000:03d}"
