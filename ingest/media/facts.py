"""The words that child and parent speak: facts, findings and stills, and their way through JSON.

Nothing here but the standard library: the child loads it before the decoders, the parent without them.
What comes back from a child is checked field by field, for a hostile file may have taken the child over.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import NoneType, UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

T = TypeVar("T")

# The values of the catalogue's Severity and StillKind, spelt here to keep the database out of the child.
NOTE, WARNING, FAULT = "note", "warning", "fault"
FRAME, WAVEFORM, PLACEHOLDER = "frame", "waveform", "placeholder"

# Longest text a fact may have: the width of its column, see shared/models/clips.py.
TEXT_LIMITS: Mapping[str, int] = {
    "container": 64,
    "video_codec": 64,
    "pixel_aspect": 32,
    "rate_mode": 16,
    "start_timecode": 16,
    "timecode_source": 32,
    "chroma": 16,
    "colour_primaries": 64,
    "transfer": 64,
    "matrix": 64,
    "colour_range": 16,
    "scan": 32,
    "audio_codec": 64,
    "recorded_raw": 64,
    "recorded_field": 64,
    "recorded_zone": 32,
}
_INT_LIMIT = 2**63  # what a BIGINT column holds


@dataclass(frozen=True, slots=True)
class Facts:
    """What one essence file says of itself; None means that it does not say. Columns of `take_facts`.

    `rate_num`/`rate_den` frames a second, exact; for a variable-rate file its exact average. `frames` counts
    pictures, `samples` sound samples of one channel. `rotation` is degrees clockwise needed to show the
    picture upright. `recorded_zone` is "stated", "assumed-utc", "local" (a wall clock whose zone is not
    said) or "unknown". `more` holds plain JSON values.
    """

    container: str | None = None
    video_codec: str | None = None
    width: int | None = None
    height: int | None = None
    rotation: int | None = None
    pixel_aspect: str | None = None
    rate_num: int | None = None
    rate_den: int | None = None
    rate_mode: str | None = None
    frames: int | None = None
    start_timecode: str | None = None
    start_frame: int | None = None
    drop_frame: bool | None = None
    timecode_source: str | None = None
    bit_depth: int | None = None
    chroma: str | None = None
    colour_primaries: str | None = None
    transfer: str | None = None
    matrix: str | None = None
    colour_range: str | None = None
    scan: str | None = None
    audio_codec: str | None = None
    audio_channels: int | None = None
    audio_tracks: int | None = None
    audio_rate: int | None = None
    audio_bits: int | None = None
    samples: int | None = None
    recorded_raw: str | None = None
    recorded_field: str | None = None
    recorded_zone: str | None = None
    more: dict[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """The facts that are known, as plain JSON values."""
        values = dataclasses.asdict(self)
        return {name: value for name, value in values.items() if value is not None and value != {}}

    @classmethod
    def from_json(cls, values: Any) -> Facts:
        """Read `to_json` back. Raises ValueError for a field, type, length or size that no Facts has."""
        return _read(cls, values)


FACT_NAMES = tuple(one.name for one in dataclasses.fields(Facts))


@dataclass(frozen=True, slots=True)
class Noticed:
    """Something found while reading: the columns of a `finding`. `value` is a number, never a time."""

    code: str
    severity: str
    message: str
    value: float | None = None
    unit: str = ""
    rule: str = ""


@dataclass(frozen=True, slots=True)
class StillTaken:
    """A picture that was written. `frame` counts from the file's first; `path` is relative to the folder."""

    ordinal: int
    kind: str
    frame: int | None
    path: str
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Described:
    """All that one media file gave. `facts` is None when nothing could be read."""

    facts: Facts | None
    stills: tuple[StillTaken, ...] = ()
    noticed: tuple[Noticed, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return {
            "facts": None if self.facts is None else self.facts.to_json(),
            "stills": [dataclasses.asdict(still) for still in self.stills],
            "noticed": [dataclasses.asdict(noticed) for noticed in self.noticed],
        }

    @classmethod
    def from_json(cls, values: Any) -> Described:
        """Read `to_json` back. Raises ValueError for anything that it would not have written."""
        if not isinstance(values, dict) or set(values) != {"facts", "stills", "noticed"}:
            raise ValueError("not a description")
        facts, stills, noticed = values["facts"], values["stills"], values["noticed"]
        if not isinstance(stills, list) or not isinstance(noticed, list):
            raise ValueError("not lists of stills and findings")
        return cls(
            None if facts is None else Facts.from_json(facts),
            tuple(_read(StillTaken, still) for still in stills),
            tuple(_read(Noticed, one) for one in noticed),
        )


def _kinds(cls: type) -> dict[str, tuple[type, ...]]:
    """The types each field may have, by name: `int | None` is (int, NoneType)."""
    kinds: dict[str, tuple[type, ...]] = {}
    for name, hint in get_type_hints(cls).items():
        parts = get_args(hint) if isinstance(hint, UnionType) else (hint,)
        kinds[name] = tuple(get_origin(part) or part for part in parts)
    return kinds


_KINDS: Mapping[type, Mapping[str, tuple[type, ...]]] = {
    cls: _kinds(cls) for cls in (Facts, Noticed, StillTaken)
}  # looked up for each of very many files


def _read(cls: type[T], values: Any) -> T:
    kinds = _KINDS[cls]
    if not isinstance(values, dict) or not kinds.keys() >= values.keys():
        raise ValueError(f"not the fields of {cls.__name__}")
    for name, value in values.items():
        allowed = kinds[name]
        # bool is an int to Python; a JSON 1 for 1.0 is fine.
        fits = type(value) in allowed or (float in allowed and type(value) is int)
        if not fits or (value is None and NoneType not in allowed):
            raise ValueError(f"{cls.__name__}.{name} is a {type(value).__name__}")
        if isinstance(value, int) and not -_INT_LIMIT <= value < _INT_LIMIT:
            raise ValueError(f"{cls.__name__}.{name} is out of range")
        if cls is Facts and isinstance(value, str) and len(value) > TEXT_LIMITS[name]:
            raise ValueError(f"{cls.__name__}.{name} is too long")
    try:
        return cls(**values)
    except TypeError as error:
        raise ValueError(str(error)) from error
