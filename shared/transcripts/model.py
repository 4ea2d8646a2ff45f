"""What a transcript is: words with the real time at which they were said.

All times are microseconds of real time since the start of the media, as whole numbers. They say nothing of
timecode: an hour counted at 29.97 without drop-frame lasts 3603.6 s.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import floor

from shared.errors import UsageError
from shared.timecode import Rate

MICRO = 1_000_000


@dataclass(frozen=True, slots=True)
class Word:
    """One word; `end` is None where the source gives only when it began. `confidence`: how sure a recogniser
    was of it, 0 to 1; None where it does not say."""

    start: int
    end: int | None
    text: str
    confidence: float | None = None


@dataclass(frozen=True, slots=True)
class Cue:
    """A stretch of speech. `text` is plain, with "\\n" between lines; `speaker` as the source names them."""

    start: int
    end: int
    text: str
    speaker: str | None = None
    words: tuple[Word, ...] = ()

    def frames(self, rate: Rate | Fraction, offset: int = 0) -> tuple[int, int]:
        """First frame and the frame after the last, counted from the media's first; at least one.

        `rate`: frames of a picture a second, or samples of a sound as a plain fraction. The nearest frame is
        taken: times in the files are rounded to a millisecond, which is less than half a frame at any rate,
        so a frame that was written is the frame that is read. `offset`: frames of the clip's parts before
        this one.
        """
        start = nearest_frame(self.start, rate)
        return offset + start, offset + max(start + 1, nearest_frame(self.end, rate))


@dataclass(frozen=True, slots=True)
class Transcript:
    """Cues in the order of their beginning. `warnings`: what was left out or mended, each with its line."""

    cues: tuple[Cue, ...]
    language: str | None = None
    warnings: tuple[str, ...] = ()

    @property
    def speakers(self) -> tuple[str, ...]:
        """Every name, in the order of first speaking."""
        return tuple(dict.fromkeys(cue.speaker for cue in self.cues if cue.speaker is not None))


def nearest_frame(time: int, rate: Rate | Fraction) -> int:
    """The frame whose beginning is nearest to a time in microseconds."""
    return floor(Fraction(time, MICRO) * _a_second(rate) + Fraction(1, 2))


def frame_start(frame: int, rate: Rate | Fraction) -> int:
    """When a frame begins, in microseconds, rounded to the nearest."""
    return round(frame / _a_second(rate) * MICRO)


def _a_second(rate: Rate | Fraction) -> Fraction:
    return rate.fraction if isinstance(rate, Rate) else rate


def unreadable(name: str, line: int, what: str, remedy: str | None = None) -> UsageError:
    """An error that names file and line."""
    return UsageError(f"line {line}: {what}", path=name, remedy=remedy or "Correct that line and try again.")
