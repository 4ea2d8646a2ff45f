"""Clips that were taken faster than they play: stated by a file, or suggested by the times of the clips.

A camera that conforms high-rate clips itself writes a file that plays at the project's rate, so neither the
rate nor the pictures tell. What does (common practice, no source): the file's own time, which is that of
the end of the take, comes much sooner after its start than the film is long; there is no sound; and where
timecode follows the clock, the next clip's begins before this one's ends.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.clips import GroupedClip, MediaFile
from ingest.media.facts import NOTE, Facts, Noticed
from shared.capture import SUGGESTED, Capture, capture_of, real_seconds
from shared.errors import TimecodeError
from shared.models import ClipMedia, FileRole
from shared.timecode import Rate, Timecode, duration_frames
from shared.when import QUARTER, SLACK, duration, off_quarter, parse_stamp

SUGGESTED_CODE = "capture-rate-suggested"
# Whole rates that cameras offer for slow motion (common practice, no source).
_OFFERED = (48, 50, 60, 75, 90, 96, 100, 120, 150, 180, 200, 240)
_WORTH = Fraction(3, 2)  # less slow than this is a pulldown, or nothing
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_FARTHEST = 15 * 3600  # seconds between two zones, with a little; beyond it a file's time is a copy's


@dataclass(frozen=True, slots=True)
class Found:
    """`noticed` is None where a file states the rate: then there is nothing to judge."""

    capture: Capture
    noticed: Noticed | None = None


@dataclass(frozen=True, slots=True)
class _Evidence:
    """How long the film plays and its taking took, in seconds, and the rates that fit."""

    plays: Fraction
    took: Fraction
    fitting: tuple[Fraction, ...]
    overlaps: bool
    kept: bool

    @property
    def confidence(self) -> str:
        if len(self.fitting) > 1:
            return "weak: other rates fit as well"
        return "fair" if self.overlaps or self.kept else "weak"


def find_captures(clips: Sequence[GroupedClip], files: Sequence[MediaFile]) -> dict[str, Found]:
    """Capture rates by name of clip, where they are stated or suggested. `files` is what was grouped."""
    keeping = {clip.name: keeps_time(file) for clip in clips if (file := _single(clip, files)) is not None}
    kept = True in keeping.values()
    stated: dict[str, Found] = {}
    suggested: dict[str, Found] = {}
    for index, clip in enumerate(clips):
        capture, file = _stated(clip, files), _single(clip, files)
        if capture is not None:
            stated[clip.name] = Found(capture)
        elif file is not None:
            after = [files[one.members[0].index].facts for one in clips[index + 1 : index + 2]]
            found = suggest_capture(file, after[0] if after else None, kept)
            if found is not None:
                suggested[clip.name] = found
    # Where files' times disagree with the stamps and nothing explains it, they are those of a copy.
    unexplained = [name for name, fits in keeping.items() if fits is False and name not in stated | suggested]
    return stated | suggested if kept or not unexplained else stated


def suggest_capture(file: MediaFile, following: Facts | None = None, kept: bool = False) -> Found | None:
    """The capture rate that a take's own times suggest, with what it rests on.

    `following` is what the next clip says; `kept`: other takes of this card have times that fit them.
    """
    facts = file.facts
    if facts is None or facts.audio_codec is not None or facts.rate_mode != "constant":
        return None
    plays, took = duration(facts), _took(file)
    if plays is None or took is None or not facts.frames or not facts.rate_num or not facts.rate_den:
        return None
    # A stamp of the end, as some recorders write it, leaves next to nothing between the two.
    if took <= SLACK or took + SLACK >= plays / _WORTH:
        return None
    playback = Fraction(facts.rate_num, facts.rate_den)
    fitting = [rate for rate in _offered(playback) if abs(plays * playback / rate - took) <= SLACK]
    if not fitting:
        return None
    fitting.sort(key=lambda rate: abs(plays * playback / rate - took))
    evidence = _Evidence(plays, took, tuple(fitting), _overlaps(facts, following), kept)
    capture = Capture(fitting[0], SUGGESTED, "times of the files")
    return Found(capture, _noticed(facts.frames, playback, capture, evidence))


def keeps_time(file: MediaFile) -> bool | None:
    """Whether a take's file time is the end of it, counted from its stamp. None: it can't be told."""
    plays, took = None if file.facts is None else duration(file.facts), _took(file)
    if plays is None or took is None or plays <= 2 * SLACK:
        return None
    return off_quarter(took - plays) <= SLACK


def _single(clip: GroupedClip, files: Sequence[MediaFile]) -> MediaFile | None:
    """The file of a clip of one file; of several, the times would have to be put together."""
    takes = [files[member.index] for member in clip.members if member.role is FileRole.ESSENCE]
    return takes[0] if len(takes) == 1 and clip.media is ClipMedia.VIDEO else None


def _stated(clip: GroupedClip, files: Sequence[MediaFile]) -> Capture | None:
    """What the take's own file says, else what a sidecar does."""
    if clip.media is not ClipMedia.VIDEO:
        return None
    ranked = [m for role in (FileRole.ESSENCE, FileRole.SIDECAR) for m in clip.members if m.role is role]
    for member in ranked:
        facts = files[member.index].facts
        capture = capture_of(facts.more) if facts is not None else None
        if capture is not None:
            return capture
    return None


def _took(file: MediaFile) -> Fraction | None:
    """Seconds from the take's stamp to the file's own time, less the hours between their zones."""
    facts = file.facts
    parsed = parse_stamp(facts.recorded_raw) if facts is not None and facts.recorded_raw else None
    plays = None if facts is None else duration(facts)
    if parsed is None or plays is None or plays >= QUARTER:
        return None  # a take of a quarter of an hour can't be told from a zone
    shown = parsed[0] if parsed[1] else parsed[0].replace(tzinfo=dt.UTC)
    since = (shown - _EPOCH) // dt.timedelta(microseconds=1)
    elapsed = Fraction(file.mtime_ns, 10**9) - Fraction(since, 10**6)
    return elapsed % QUARTER if abs(elapsed) <= _FARTHEST + plays else None


def _offered(playback: Fraction) -> list[Fraction]:
    """Rates for slow motion at this playback: whole ones, or n/1001 where it is one of those itself."""
    scale = Fraction(1000, 1001) if playback.denominator == 1001 else Fraction(1)
    return [rate * scale for rate in _OFFERED if rate * scale >= playback * _WORTH]


def _overlaps(facts: Facts, following: Facts | None) -> bool:
    """Whether the next clip's timecode begins while this one is still playing."""
    if following is None or None in (facts.start_frame, following.start_frame, facts.frames):
        return False
    if (facts.rate_num, facts.rate_den) != (following.rate_num, following.rate_den):
        return False
    try:
        rate, drop = Rate(facts.rate_num or 0, facts.rate_den or 1), bool(facts.drop_frame)
        starts = [Timecode(one.start_frame or 0, rate, drop) for one in (facts, following)]
        return 0 < duration_frames(starts[0], starts[1]) < (facts.frames or 0)
    except TimecodeError:
        return False


def _noticed(frames: int, playback: Fraction, capture: Capture, evidence: _Evidence) -> Noticed:
    real = float(real_seconds(frames, playback, capture))
    label = Rate(capture.rate.numerator, capture.rate.denominator).label
    overlap = " The next clip's timecode begins before this one's ends." if evidence.overlaps else ""
    return Noticed(
        SUGGESTED_CODE,
        NOTE,
        f"Perhaps slow motion, taken at {label} pictures a second: it plays {float(evidence.plays):.1f} s, "
        f"but its file was closed {float(evidence.took):.0f} s after it began ({real:.1f} s at that rate), "
        f"and it has no sound.{overlap} Confidence: {evidence.confidence}.",
        value=round(float(evidence.plays / evidence.took), 2),
        unit="×",
        rule="A take's file is closed when the take ends: playing it takes as long as taking it did.",
    )
