"""Where a clip begins and ends, in labels an editor can type. OUT is always exclusive: out - in = duration.

Clips with picture count in frames of their own rate. Sound-only clips count samples in the catalogue;
here they are given at the production's edit rate: the frame in which the first sample falls, up to the end
of the frame in which the last one falls. Samples since midnight over samples a frame is how a recorder's
stamp stands for timecode (EBU Tech 3285, TimeReference; the division is common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor

from shared.errors import TimecodeError
from shared.models import Clip, ClipMedia, Production, TakeFacts
from shared.timecode import Rate, Timecode


@dataclass(frozen=True, slots=True)
class Timing:
    """What is known of one clip's place in time; None is unknown. `start` and `frames` count at `rate`.

    `seconds` is exact: for sound-only clips it comes from samples, and may differ from `frames`.
    """

    rate: Rate | None = None
    drop_frame: bool = False
    start: int | None = None
    frames: int | None = None
    seconds: Fraction | None = None

    @property
    def tc_in(self) -> Timecode | None:
        if self.start is None or self.rate is None:
            return None
        return Timecode.wrapped(self.start, self.rate, self.drop_frame)

    @property
    def tc_out(self) -> Timecode | None:
        """The first frame after the clip."""
        tc_in = self.tc_in
        return None if tc_in is None or self.frames is None else tc_in + self.frames

    @property
    def length(self) -> Timecode | None:
        """The duration as a label that counts like the clip's own; None also from 24 hours on."""
        if self.rate is None or self.frames is None:
            return None
        if self.frames >= self.rate.frames_per_day(self.drop_frame):
            return None
        return Timecode(self.frames, self.rate, self.drop_frame)

    @property
    def rate_text(self) -> str:
        """The exact rate, and the way of counting where there is a timecode: "30000/1001 DF"."""
        if self.rate is None:
            return ""
        if self.start is None:
            return str(self.rate)
        return f"{self.rate} {'DF' if self.drop_frame else 'NDF'}"


def sample_rate(clip: Clip) -> Fraction | None:
    """Samples a second of a sound-only clip. Beyond what a frame rate can be, so no `Rate`."""
    if clip.media is not ClipMedia.AUDIO or not clip.rate_num or not clip.rate_den:
        return None
    return Fraction(clip.rate_num, clip.rate_den)


def own_start(clip: Clip, facts: TakeFacts | None) -> int | None:
    """Where a file of the clip says it starts, in the clip's unit: frames, or samples since midnight."""
    if facts is None:
        return None
    if clip.media is not ClipMedia.AUDIO:
        return facts.start_frame
    reference = facts.more.get("time_reference_samples")
    return reference if isinstance(reference, int) and reference >= 0 else None


def time_clip(clip: Clip, production: Production, start: int | None) -> Timing:
    """A clip's timing; empty where the clip has no rate that can be counted in.

    `start`: the first sample of a sound-only clip. A clip with picture has its own in the catalogue.
    """
    if clip.media is ClipMedia.AUDIO:
        return _time_sound(clip, production, start)
    if clip.media is not ClipMedia.VIDEO or not clip.rate_num or not clip.rate_den:
        return Timing()
    try:
        rate = Rate(clip.rate_num, clip.rate_den)
        first = clip.start_timecode
    except TimecodeError:
        return Timing()  # a rate or a count that no label can have: unknown, rather than a guess
    seconds = None if clip.frames is None else rate.frames_to_seconds(clip.frames)
    known = first is not None
    return Timing(rate, known and clip.drop_frame, first.frames if first else None, clip.frames, seconds)


def _time_sound(clip: Clip, production: Production, start: int | None) -> Timing:
    hertz = sample_rate(clip)
    if hertz is None:
        return Timing()
    rate = production.rate
    begin = Fraction(start or 0) / hertz * rate.fraction
    first = floor(begin)
    length = None if clip.frames is None else Fraction(clip.frames) / hertz
    frames = None if length is None else ceil(begin + length * rate.fraction) - first
    known = start is not None
    return Timing(rate, known and production.drop_frame, first if known else None, frames, length)
