"""Frame rates and timecode, exact: fractions and whole frames, no floats.

A timecode is a count of frames since 00:00:00:00 with a rate and a drop-frame flag; the text is only its
label. Counting follows SMPTE ST 12-1. Drop-frame leaves out labels, never frames: `;00` and `;01` of each
minute but every tenth at 29.97, and `;00` to `;03` at 59.94. No other rate has drop-frame.

At 50 and 60 frames a second the frames field counts 00-49 and 00-59. ST 12-1 itself counts pairs of frames
there; counting each frame, with four labels dropped at 59.94, is the usual extension (common practice, no
source). Above 100 frames a second the field has three digits, since two can't hold it (our own rule).

A label is always below 24:00:00:00. Constructing a timecode at or past 24 hours is refused; arithmetic wraps.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from math import floor

from shared.errors import TimecodeError

MAX_RATE = 1000
MINUTES_PER_DAY = 24 * 60
# Labels left out in a drop-frame minute, by nominal rate.
_DROPPED = {30: 2, 60: 4}
# Decimal spellings in use for the n/1001 rates, without trailing zeros. 23.976 is a spelling, not the rate.
_SPELLINGS = {
    "23.976": 24,
    "23.98": 24,
    "29.97": 30,
    "47.95": 48,
    "47.952": 48,
    "59.94": 60,
    "119.88": 120,
}
_LABELS = {24: "23.976", 30: "29.97", 48: "47.95", 60: "59.94", 120: "119.88"}
_RATE_TEXT = re.compile(r"([0-9]{1,12})(?:/([0-9]{1,12})|\.0{1,12})?")
_RATE_REMEDY = "Write a whole number (25), a fraction (24000/1001) or one of " + ", ".join(_SPELLINGS) + "."


@dataclass(frozen=True, slots=True)
class Rate:
    """Frames a second as an exact fraction, kept in lowest terms: `Rate(24000, 1001)`, `Rate(25)`.

    `nominal` is the whole number of labels counted in a second (24 for 24000/1001).
    Raises TimecodeError unless 0 < rate <= 1000.
    """

    num: int
    den: int = 1
    nominal: int = field(init=False, repr=False, compare=False)
    _days: tuple[int, int] = field(init=False, repr=False, compare=False)  # plain, drop-frame or 0

    def __post_init__(self) -> None:
        if not (isinstance(self.num, int) and isinstance(self.den, int)):
            raise TimecodeError(f"rate {self.num!r}/{self.den!r} is not exact", remedy=_RATE_REMEDY)
        if self.num <= 0 or self.den <= 0 or self.num > MAX_RATE * self.den:
            raise TimecodeError(
                f"rate {self.num}/{self.den} is out of range",
                remedy=f"A frame rate is above 0 and at most {MAX_RATE} frames a second.",
            )
        exact = Fraction(self.num, self.den)
        nominal = max(1, (2 * exact.numerator + exact.denominator) // (2 * exact.denominator))
        # Frozen, so lowest terms and what follows from them can only be set this way.
        object.__setattr__(self, "num", exact.numerator)
        object.__setattr__(self, "den", exact.denominator)
        object.__setattr__(self, "nominal", nominal)
        drops = nominal in _DROPPED and exact == Fraction(nominal * 1000, 1001)
        days = (frames_per_day(nominal), frames_per_day(nominal, drop=True) if drops else 0)
        object.__setattr__(self, "_days", days)

    @classmethod
    def parse(cls, text: str) -> Rate:
        """Read "25", "25.000", "24000/1001" or a usual spelling such as "23.976", which means 24000/1001.

        Any other decimal is refused: it would be a guess at the exact rate. Raises TimecodeError.
        """
        spelt = _SPELLINGS.get(text.rstrip("0") if "." in text else text)
        if spelt is not None:
            return cls(spelt * 1000, 1001)
        match = _RATE_TEXT.fullmatch(text)
        if match is None:
            raise TimecodeError(f"{_shown(text)} is not an exact frame rate", remedy=_RATE_REMEDY)
        return cls(int(match[1]), int(match[2] or 1))

    @property
    def fraction(self) -> Fraction:
        return Fraction(self.num, self.den)

    @property
    def label(self) -> str:
        """What a person calls it: "23.976", "25". `Rate.parse` reads it back to the same rate."""
        usual = _LABELS.get(self.nominal)
        return usual if usual and self == Rate(self.nominal * 1000, 1001) else str(self)

    @property
    def can_drop(self) -> bool:
        """Whether drop-frame exists at this rate: 30000/1001 and 60000/1001 only."""
        return self._days[1] > 0

    def frames_per_day(self, drop_frame: bool = False) -> int:
        """Labels from 00:00:00:00 up to 24:00:00:00 (label hours, not real time). Raises TimecodeError."""
        if drop_frame and not self.can_drop:
            raise _no_drop(self.label)
        return self._days[drop_frame]

    def frames_to_seconds(self, frames: int) -> Fraction:
        """Exact real time that `frames` frames take."""
        return Fraction(frames * self.den, self.num)

    def seconds_to_frames(self, seconds: Fraction) -> int:
        """Whole frames begun by that instant, rounded down: the frame on show `seconds` after frame 0."""
        return floor(self._frames_of(seconds))

    def nearest_frame(self, seconds: Fraction) -> int:
        """The frame whose start is nearest. For stamps that a container rounded, say to milliseconds."""
        return floor(self._frames_of(seconds) + Fraction(1, 2))

    def _frames_of(self, seconds: Fraction) -> Fraction:
        if not isinstance(seconds, (Fraction, int)):
            raise TimecodeError(f"{seconds!r} s is not exact", remedy="Give seconds as a Fraction.")
        return Fraction(seconds) * self.fraction

    def __str__(self) -> str:
        return str(self.num) if self.den == 1 else f"{self.num}/{self.den}"


@dataclass(frozen=True, slots=True)
class Timecode:
    """`frames` since 00:00:00:00 at `rate`; `drop_frame` says how the labels count (SMPTE ST 12-1).

    Raises TimecodeError for a count outside 0 <= frames < 24 h, or drop-frame at a rate that has none.
    """

    frames: int
    rate: Rate
    drop_frame: bool = False

    def __post_init__(self) -> None:
        frames, rate = self.frames, self.rate
        if not isinstance(frames, int):
            raise TimecodeError(f"{frames!r} is not a whole number of frames", remedy="Give an integer.")
        if not 0 <= frames < rate._days[self.drop_frame]:
            rate.frames_per_day(self.drop_frame)  # refuses drop-frame at other rates
            raise _past_day(frames, rate.nominal, self.drop_frame)

    @classmethod
    def parse(cls, text: str, rate: Rate, drop_frame: bool | None = None) -> Timecode:
        """Read "01:02:03:04", or "01:02:03;04" for drop-frame: the mark before the frames decides.

        `drop_frame`, where given, says what the source claims elsewhere; a text that disagrees is refused,
        as are dropped labels, fields out of range, other digits and any blank. Raises TimecodeError.
        """
        if drop_frame is None:
            drop_frame = text[8:9] == ";"
        if drop_frame and not rate.can_drop:
            raise _no_drop(rate.label)
        return cls(text_to_frames(text, rate.nominal, drop_frame), rate, drop_frame)

    @classmethod
    def from_frames(cls, frames: int, rate: Rate, drop_frame: bool = False) -> Timecode:
        """The label of frame `frames`; refused at or past 24 h (see `wrapped`). Raises TimecodeError."""
        return cls(frames, rate, drop_frame)

    @classmethod
    def wrapped(cls, frames: int, rate: Rate, drop_frame: bool = False) -> Timecode:
        """Like `from_frames`, for any count: taken modulo 24 h of labels, as a running clock would."""
        return cls(frames % rate.frames_per_day(drop_frame), rate, drop_frame)

    @property
    def elapsed(self) -> Fraction:
        """Exact seconds of real time since 00:00:00:00: 01:00:00:00 at 23.976 is 3603.6 s."""
        return self.rate.frames_to_seconds(self.frames)

    def __add__(self, frames: int) -> Timecode:
        if not isinstance(frames, int):
            return NotImplemented
        return Timecode.wrapped(self.frames + frames, self.rate, self.drop_frame)

    def __sub__(self, frames: int) -> Timecode:
        if not isinstance(frames, int):
            return NotImplemented
        return self + -frames

    def __str__(self) -> str:
        return frames_to_text(self.frames, self.rate.nominal, self.drop_frame)


def duration_frames(tc_in: Timecode, tc_out: Timecode) -> int:
    """Frames from `tc_in` up to, not including, `tc_out`; an out before the in is past midnight.

    Equal ends are 0 frames, never a whole day. Raises TimecodeError when rate or drop-frame differ.
    """
    if tc_in.rate != tc_out.rate or tc_in.drop_frame != tc_out.drop_frame:
        raise TimecodeError(
            f"in {tc_in} at {tc_in.rate.label} and out {tc_out} at {tc_out.rate.label} count differently",
            remedy="Give both ends at one rate, both drop-frame or both not.",
        )
    return (tc_out.frames - tc_in.frames) % tc_in.rate.frames_per_day(tc_in.drop_frame)


def frames_per_day(nominal: int, drop: bool = False) -> int:
    """Labels in 24 hours at `nominal` labels a second. Raises TimecodeError."""
    if not 0 < nominal <= MAX_RATE:
        raise TimecodeError(f"{nominal} labels a second is out of range", remedy=_RATE_REMEDY)
    if drop and nominal not in _DROPPED:
        raise _no_drop(str(nominal))
    dropped = _DROPPED[nominal] if drop else 0
    return MINUTES_PER_DAY * nominal * 60 - dropped * (MINUTES_PER_DAY - MINUTES_PER_DAY // 10)


def frames_to_text(frames: int, nominal: int, drop: bool = False) -> str:
    """The label of frame `frames` (0 is 00:00:00:00). Raises TimecodeError outside one day."""
    day, minutes, seconds, units = _writing(nominal, drop)
    if not 0 <= frames < day:
        raise _past_day(frames, nominal, drop)
    if drop:  # count the labels left out so far; then it is plain counting
        dropped = _DROPPED[nominal]
        short = nominal * 60 - dropped
        tens, rest = divmod(frames, short * 10 + dropped)
        frames += dropped * 9 * tens
        if rest > short:  # past the first of the ten minutes, the one that is full
            frames += dropped * ((rest - dropped) // short)
    second, unit = divmod(frames, nominal)
    minute, second = divmod(second, 60)
    return minutes[minute] + seconds[second] + units[unit]


def text_to_frames(text: str, nominal: int, drop: bool = False) -> int:
    """The frame a label stands for. `drop` wants ';' before the frames, otherwise ':'.

    Raises TimecodeError, naming what is wrong, for anything that is not exactly such a label.
    """
    dropped, minute_starts, second_starts, unit_of = _reading(nominal, drop)
    try:  # the tables hold every valid piece, so looking one up also checks it
        start = minute_starts[text[:6]]
        rest = second_starts[text[6:9]] + unit_of[text[9:]]
    except KeyError:
        raise _unreadable(text, nominal, drop) from None
    if rest < dropped and text[4] != "0":
        raise _unreadable(text, nominal, drop)
    return start + rest


# Bounded, here and below: rates come from files that may be hostile.
@lru_cache(maxsize=32)
def _writing(nominal: int, drop: bool) -> tuple[int, tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Frames in a day, and the text of each minute ("HH:MM:"), second ("SS:") and frame ("FF")."""
    width = len(str(max(nominal - 1, 10)))
    return (
        frames_per_day(nominal, drop),
        tuple(f"{m // 60:02d}:{m % 60:02d}:" for m in range(MINUTES_PER_DAY)),
        tuple(f"{s:02d}{';' if drop else ':'}" for s in range(60)),
        tuple(f"{f:0{width}d}" for f in range(nominal)),
    )


@lru_cache(maxsize=32)
def _reading(nominal: int, drop: bool) -> tuple[int, dict[str, int], dict[str, int], dict[str, int]]:
    """Labels dropped in a short minute, and the frames up to each minute, second and frame, by its text.

    A short minute is counted from its label :00:00, which lies `dropped` before its first frame.
    """
    _, minutes, seconds, units = _writing(nominal, drop)
    dropped = _DROPPED[nominal] if drop else 0
    return (
        dropped,
        {text: m * nominal * 60 - dropped * (m - m // 10) for m, text in enumerate(minutes)},
        {text: s * nominal for s, text in enumerate(seconds)},
        {text: f for f, text in enumerate(units)},
    )


def _no_drop(rate: str) -> TimecodeError:
    return TimecodeError(
        f"there is no drop-frame at {rate} frames a second",
        remedy="Drop-frame exists at 29.97 and 59.94 only: check the rate, or write ':' before the frames.",
    )


def _past_day(frames: int, nominal: int, drop: bool) -> TimecodeError:
    day = frames_per_day(nominal, drop)
    return TimecodeError(
        f"frame {frames} has no timecode: a day at {nominal} labels a second has frames 0 to {day - 1}",
        remedy=f"Take the count modulo {day} (24 hours) first.",
    )


def _shown(text: str) -> str:
    """Quoted for a message: clipped, and with anything but plain ASCII escaped, so look-alikes show."""
    return ascii(text) if len(text) <= 40 else ascii(text[:40]) + "…"


def _unreadable(text: str, nominal: int, drop: bool) -> TimecodeError:
    """Say why `text` is no label; called only once a look-up has failed, so it may be slow."""
    shown, mark, width = _shown(text), ";" if drop else ":", len(_writing(nominal, drop)[3][0])
    example = f"01:02:03{mark}{4:0{width}d}"
    match = re.fullmatch(rf"([0-9]{{2}}):([0-9]{{2}}):([0-9]{{2}})([:;])([0-9]{{{width}}})", text)
    if match is None:
        return TimecodeError(
            f"{shown} is not a timecode",
            remedy=f"Write hours:minutes:seconds{mark}frames in plain digits, for example {example}.",
        )
    hours, minutes, seconds, units = (int(match[i]) for i in (1, 2, 3, 5))
    if match[4] != mark:
        claims, wanted = ("drop-frame", "non-drop") if match[4] == ";" else ("non-drop", "drop-frame")
        return TimecodeError(
            f"{shown} is written as {claims}, but {wanted} is asked for",
            remedy=f"Settle which it is: ';' before the frames marks drop-frame, ':' non-drop ({example}).",
        )
    for value, limit, name in ((hours, 24, "hours"), (minutes, 60, "minutes"), (seconds, 60, "seconds")):
        if value >= limit:
            return TimecodeError(f"{shown} has {value} {name}", remedy=f"The last one is {limit - 1}.")
    if units >= nominal:
        return TimecodeError(
            f"{shown} has frame {units}, but a second at this rate has frames 0 to {nominal - 1}",
            remedy="Check the frame rate.",
        )
    return TimecodeError(
        f"{shown} does not exist in drop-frame, which leaves out frames 0 to {_DROPPED[nominal] - 1} of each "
        "minute but every tenth",
        remedy=f"That minute begins at {text[:9]}{_DROPPED[nominal]:02d}; check for a non-drop source.",
    )
