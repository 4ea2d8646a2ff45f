"""The numbers that a sound pass gives, and their way through JSON: what child and parent both know.

Nothing here but the standard library. Seconds count from the first picture of the file, or from its first
sample where it has no picture. Levels are dB re full scale (a sine of full scale has a peak of 0 and an RMS
of -3.01), `FLOOR_DB` standing for that and everything below it. Channels count from 0, over all tracks.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import NoneType, UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

T = TypeVar("T")
VERSION = 2  # as in `picture_numbers`

FLOOR_DB = -120.0
MOST_SPANS = 64  # of one kind on one channel: a person looks at no more, and the counts go on
MOST_POINTS = 3600  # of one curve: a point a second up to an hour
MOST_CHANNELS = 16
HUM_HARMONICS = 10
_MOST_ITEMS = 8192
_LARGEST = 1e15


@dataclass(frozen=True, slots=True)
class Span:
    """From `first` to `last`, in seconds. `level`: dB, of what `Spans` says."""

    first: float
    last: float
    level: float


@dataclass(frozen=True, slots=True)
class Spans:
    """Events of one kind: how many, how many seconds in all, and the first 64 stretches that hold them."""

    count: int = 0
    seconds: float = 0.0
    kept: tuple[Span, ...] = ()


@dataclass(frozen=True, slots=True)
class Levels:
    """One channel's level. `histogram[i]` counts 0.1 s frames whose RMS, DC left out, is `FLOOR_DB` + i dB
    (from half a dB below to half above; the ends take what is beyond). `dc`: mean sample, full scale ±1.
    `peak_db`: largest sample. `rms_db`: of the whole, DC left out.
    """

    peak_db: float
    rms_db: float
    dc: float
    histogram: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Zeros:
    """Samples of exactly zero: their share of all, 0..1, and runs of a second and more (`level` unused)."""

    share: float
    runs: Spans


@dataclass(frozen=True, slots=True)
class Clipping:
    """Flat tops at the own maximum of the stretch they lie in; `level` of a span is that maximum.

    `over`: samples at or beyond full scale.
    """

    tops: Spans
    over: int


@dataclass(frozen=True, slots=True)
class TruePeak:
    """Largest value between and at the samples, dBTP (ITU-R BS.1770-5, Annex 2), and where, in seconds."""

    dbtp: float
    second: float


@dataclass(frozen=True, slots=True)
class Loudness:
    """EBU R 128 numbers, LUFS and LU. None: too short, or nothing above the absolute gate of -70 LUFS."""

    integrated: float | None
    momentary_max: float | None
    short_term_max: float | None
    range: float | None


@dataclass(frozen=True, slots=True)
class Lines:
    """A mains frequency and its harmonics, 1 to 10, over all windows of 4 s in which there was sound.

    `prominence`: median over the windows of each line's power over that of its neighbourhood, dB.
    `level_db`: median over the windows of the power of all lines that stand out by 10 dB and more.
    `windows`: how many there were.
    """

    hertz: int
    prominence: tuple[float, ...]
    level_db: float
    windows: int


@dataclass(frozen=True, slots=True)
class Wind:
    """Energy below 80 Hz by the second: `share` of all below 4 kHz in percent, `level` in dB, and `jitter`,
    how much the level changes from one quarter second to the next, dB. `bumps`: sudden thuds.
    """

    share: tuple[int, ...]
    level: tuple[int, ...]
    jitter: tuple[int, ...]
    bumps: Spans


@dataclass(frozen=True, slots=True)
class Speech:
    """`share` of the time in which somebody speaks, 0..1; `present`: likelihood in percent, by the second."""

    share: float
    present: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Tone:
    """The longest steady sine of a channel: frequency, peak in dBFS, and length; 0 s where there is none."""

    hertz: float
    level_db: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Channel:
    """Everything of one channel. `peak_curve`, `rms_curve`: whole dB, a point each `curve_seconds`."""

    number: int
    track: int
    start: float
    seconds: float
    curve_seconds: float
    peak_curve: tuple[int, ...]
    rms_curve: tuple[int, ...]
    levels: Levels
    zeros: Zeros
    clipping: Clipping
    true_peak: TruePeak
    loudness: Loudness
    hum: tuple[Lines, ...]
    wind: Wind
    dropouts: Spans
    speech: Speech
    tone: Tone
    claps: Spans


@dataclass(frozen=True, slots=True)
class Pair:
    """How channel `other` follows channel `one`, over the seconds in which both have sound.

    `gain_db`: median level of `other` over that of `one`. `residual_db`: median of what is left of `other`
    once `one` at its best gain is taken out; FLOOR_DB is an exact copy. `inverted`: opposite polarity.
    """

    one: int
    other: int
    seconds: float
    gain_db: float
    residual_db: float
    inverted: bool


@dataclass(frozen=True, slots=True)
class Timing:
    """One track's rate against its clock. `rate`: as the file says, Hz. `seconds`: samples over `rate`.

    `stamped`: seconds its time stamps span; None: it has none. `gaps`, `gap_seconds`: holes of more than
    0.05 s between time stamps, left out of `stamped`.
    """

    track: int
    rate: int
    samples: int
    seconds: float
    stamped: float | None
    gaps: int
    gap_seconds: float


@dataclass(frozen=True, slots=True)
class SoundMeasured:
    """All that one pass over a file's sound gives. `programmes`: loudness of each track, its channels
    together. `errors`: packets that did not decode. `problem`: why there is nothing, or not all.
    """

    channels: tuple[Channel, ...] = ()
    pairs: tuple[Pair, ...] = ()
    programmes: tuple[Loudness, ...] = ()
    timing: tuple[Timing, ...] = ()
    picture_seconds: float | None = None
    errors: int = 0
    left_out: int = 0
    problem: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return dataclasses.asdict(self)

    @classmethod
    def from_json(cls, values: Any) -> SoundMeasured:
        """Read `to_json` back, also from JSON text. Raises ValueError for what it would not have written."""
        return _read(cls, values)


def _read(cls: type[T], values: Any) -> T:
    hints = get_type_hints(cls)
    if not isinstance(values, Mapping) or set(values) != set(hints):
        raise ValueError(f"not the fields of {cls.__name__}")
    return cls(**{name: _value(hint, values[name]) for name, hint in hints.items()})


def _value(hint: Any, value: Any) -> Any:
    if isinstance(hint, UnionType):
        if value is None and NoneType in get_args(hint):
            return None
        hint = next(one for one in get_args(hint) if one is not NoneType)
    if get_origin(hint) is tuple:
        if not isinstance(value, list | tuple) or len(value) > _MOST_ITEMS:
            raise ValueError("not a list of a sensible length")
        return tuple(_value(get_args(hint)[0], one) for one in value)
    if dataclasses.is_dataclass(hint):
        return _read(hint if isinstance(hint, type) else type(hint), value)
    if hint is float and type(value) is int:
        value = float(value)
    if type(value) is not hint:
        raise ValueError(f"a {type(value).__name__} where a {getattr(hint, '__name__', hint)} belongs")
    if isinstance(value, float | int) and not (math.isfinite(value) and abs(value) < _LARGEST):
        raise ValueError("out of range")
    if isinstance(value, str) and (len(value) > 500 or not value.isprintable()):
        raise ValueError("no plain text")
    return value
