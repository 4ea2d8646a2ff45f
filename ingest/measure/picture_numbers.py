"""What the measures of a picture give: numbers alone, no verdicts, and their way through JSON.

Nothing here but the standard library, so that the parent of the children that decode need load nothing else.
What comes back from a child is checked field by field, for a hostile file may have taken the child over.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import NoneType, UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

T = TypeVar("T")
VERSION = 2
"""Of the layout below and of how the numbers are taken: others can't be judged, and are taken anew."""
_DECIMALS = 6
_LONGEST = 100_000  # items in a list: more than a clip of a day gives


@dataclass(frozen=True, slots=True)
class FrameLevels:
    """One picture's codes, or a whole clip's. Shares are of all pixels, 0 to 1.

    `at_black`, `at_peak`: at or beyond black and nominal peak. `at_bottom`, `at_top`: at the last code there
    is, where nothing can be won back. `mean`, `low` and `high` (99 % of pixels lie between those two) in
    parts of the range: 0 black, 1 nominal peak.
    """

    at_black: float
    at_peak: float
    at_bottom: float
    at_top: float
    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FlatTop:
    """The share of pixels at the highest code that occurs, and how high that is (0 black, 1 nominal peak)."""

    share: float
    height: float


@dataclass(frozen=True, slots=True)
class Structure:
    """What a dark picture shows: `contrast` is the standard deviation over the small picture without its
    noise, in codes of 8 bits; `noise` the standard deviation from one pixel to the next, over √2."""

    contrast: float
    noise: float


@dataclass(frozen=True, slots=True)
class Tilt:
    """`degrees`: positive when the right end of the edge is lower, so that the camera leant to the left.

    `support`: the share of the picture's width over which the edge is there, 0 to 1. `stands_out`: how many
    times stronger it is than the typical line of its direction.
    """

    degrees: float
    support: float
    stands_out: float


@dataclass(frozen=True, slots=True)
class Swings:
    """A stretch in which sharpness swings, and the numbers that tell why.

    `start`, `end` in seconds; `frequency` in hertz; `cycles` whole swings; `swing` the median change of log
    sharpness in half a swing. `uneven`: how much the lengths of the half swings scatter, over their median.
    `one_way`: the smaller over the larger of the swings of detail across and down (blur by defocus takes
    both alike: near 1; motion takes one). `light`: the swing of log light in step, over that of sharpness.
    `coarse`: the same of coarse detail. `agreeing`: the share of tiles, by weight, that swing in step.
    `explained`: of the variance of those tiles, the share that is in step. `speed` heights a second, median;
    `speed_in_step`: correlation with the picture's speed. `departing`: median shift of blocks that leave the
    rest, heights a second. `blurring`: correlation of sharpness with the blur that the changes from frame to
    frame add up to, less what is slower. `at_keys`: where there are three key frames or more, the swing among
    them over the swing of all; 1 where there are not. `sudden`: where there are not, the largest change from
    one frame to the next over that of a sine of this swing and frequency; 0 where there are.
    """

    start: float
    end: float
    frequency: float
    cycles: float
    swing: float
    uneven: float
    one_way: float
    light: float
    coarse: float
    agreeing: float
    explained: float
    speed: float
    speed_in_step: float
    departing: float
    blurring: float
    at_keys: float
    sudden: float


@dataclass(frozen=True, slots=True)
class Rack:
    """One change of focus: from `start` to `end` seconds sharpness changes by `change` (natural logarithm;
    positive: it becomes sharp) and stays there."""

    start: float
    end: float
    change: float


@dataclass(frozen=True, slots=True)
class Shake:
    """`shake`: root mean square of the quick part of the camera's path; `speed`: mean of the slow part.

    Shares of the picture's height, and of it a second. `steady` is the share of time under a quarter of a
    height a second with blocks that could be followed, `longest_steady` the longest such stretch in seconds.
    """

    shake: float
    speed: float
    steady: float
    longest_steady: float


@dataclass(frozen=True, slots=True)
class Travel:
    """How the picture moves over a stretch: medians, heights a second to the right and down.

    A camera that turns right moves its picture left. `scale`: growth a second, 0.01 is 1 %. `even`: share of
    pictures that go the way of the median; `growing`: whose size changes the way of `scale`; `followed`:
    that could be followed at all.
    """

    right: float
    down: float
    scale: float
    even: float
    growing: float
    followed: float


@dataclass(frozen=True, slots=True)
class Flicker:
    """One supply's beat in a stretch of pictures.

    `supply` and `beat` in hertz. `depth`: how much of the light goes up and down, half from top to bottom,
    0.05 is 5 %. `above`: how many times it exceeds what other frequencies near it have. `bands`: how many
    stand in the picture at once, 0 when all of it pulses.
    """

    supply: int
    beat: float
    depth: float
    above: float
    bands: float


@dataclass(frozen=True, slots=True)
class Repeats:
    """`singles`: numbers of the pictures that repeat the one before them, stretches left out. `every`: one
    comes each so many pictures, where they keep a beat. `frozen`: stretches, first and last picture.

    Numbers count from the first of the pictures looked at.
    """

    singles: tuple[int, ...]
    every: float | None
    frozen: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Stripes:
    """Upright stripes of equal width in falling light: `count` of them side by side, 0 where there are none.

    `departure`: how far the light of the first seven is from that of colour bars, in parts of white less
    black; 1 where there are fewer.
    """

    count: int
    departure: float


@dataclass(frozen=True, slots=True)
class Look:
    """What one of a few pictures shows, at `time` seconds. `faces`: heights of the largest, forehead to chin,
    as shares of the picture's."""

    time: float
    faces: tuple[float, ...]
    stripes: Stripes


@dataclass(frozen=True, slots=True)
class Sample:
    """One picture of the coarse pass, at `time` seconds from the first.

    `subject` and `background`: log sharpness. `moved`: how far the framing went since the sample before,
    heights; None where it could not be followed. `difference`: mean difference from the sample before, codes
    of 8 bits; None for the first. `tilt`: of one sample in three, for a horizon stays where it is.
    """

    time: float
    subject: float
    background: float
    levels: FrameLevels
    structure: Structure
    tilt: Tilt | None
    moved: float | None
    difference: float | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """What was measured where every picture was decoded, from `start` to `end` seconds of the clip.

    `frames` pictures. `subject` and `background`: stretches of swinging sharpness. `sharpness`: log
    sharpness of both, some ten a second, from `start` on, `sharpness_step` seconds apart.
    """

    start: float
    end: float
    frames: int
    shake: Shake | None
    travel: Travel | None
    subject: tuple[Swings, ...]
    background: tuple[Swings, ...]
    racks: tuple[Rack, ...]
    flicker: tuple[Flicker, ...]
    repeats: Repeats
    sharpness_step: float
    sharpness: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class PictureNumbers:
    """All measures of one clip's picture. `seconds` long, `per_second` pictures; levels are of all samples.

    `looks`: a few pictures seen more closely; `sought_faces`: whether faces could be looked for in them.
    `framing`: see `picture_framing`. `errors`: packets that would not decode.
    """

    seconds: float
    per_second: float
    bits: int
    is_full_range: bool
    levels: FrameLevels
    flat_top: FlatTop
    samples: tuple[Sample, ...]
    looks: tuple[Look, ...]
    sought_faces: bool
    stretches: tuple[Stretch, ...]
    framing: tuple[float, ...]
    errors: int

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values; numbers are rounded, for a clip has thousands of them."""
        return dataclasses.asdict(self, dict_factory=_rounded)

    @classmethod
    def from_json(cls, values: Any) -> PictureNumbers:
        """Read `to_json` back. Raises ValueError for anything that it would not have written."""
        return _read(cls, values)


@dataclass(frozen=True, slots=True)
class PictureMeasured:
    """The answer about one file: its numbers, or the `problem` why there are none."""

    numbers: PictureNumbers | None
    problem: str = ""


def _rounded(fields: list[tuple[str, Any]]) -> dict[str, Any]:
    return {name: _short(value) for name, value in fields}


def _short(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, _DECIMALS)
    return tuple(map(_short, value)) if isinstance(value, tuple) else value


def _read(cls: type[T], values: Any) -> T:
    hints = get_type_hints(cls)
    if not isinstance(values, Mapping) or set(values) != set(hints):
        raise ValueError(f"not the fields of {cls.__name__}")
    return cls(**{name: _value(hint, values[name], f"{cls.__name__}.{name}") for name, hint in hints.items()})


def _value(hint: Any, value: Any, name: str) -> Any:
    """`value` as `hint` says. Raises ValueError."""
    if isinstance(hint, UnionType):
        if value is None and NoneType in get_args(hint):
            return None
        return _value(next(one for one in get_args(hint) if one is not NoneType), value, name)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return _read(hint, value)
    if get_origin(hint) is tuple:
        kinds = get_args(hint)
        if not isinstance(value, list | tuple) or len(value) > _LONGEST:
            raise ValueError(f"{name} is no list, or too long a one")
        if kinds[-1] is Ellipsis:
            return tuple(_value(kinds[0], one, name) for one in value)
        if len(value) != len(kinds):
            raise ValueError(f"{name} has {len(value)} parts")
        return tuple(_value(kind, one, name) for kind, one in zip(kinds, value, strict=True))
    if hint is float and type(value) in (int, float) and math.isfinite(value):
        return float(value)
    if hint in (int, bool) and type(value) is hint and -(2**53) < value < 2**53:
        return value
    raise ValueError(f"{name} is {value!r:.40}")
