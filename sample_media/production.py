"""The production "The Chain Ferry" as data: days, kit, people, cards, each clip and its invented log."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from importlib import resources
from pathlib import PurePosixPath
from typing import Any
from zoneinfo import ZoneInfo


@dataclass(frozen=True)
class Day:
    number: int
    date: date
    goal: str


@dataclass(frozen=True)
class Camera:
    """A body or recorder of the kit. `kind` and `zone_rule` are the catalogue's words for them."""

    letter: str
    name: str
    kind: str
    zone_rule: str
    clock_correction_ms: int
    """True time minus the time the device shows."""
    lens: str = ""


@dataclass(frozen=True)
class Lens:
    name: str
    focal_min_mm: int
    focal_max_mm: int
    max_aperture: str


@dataclass(frozen=True)
class Microphone:
    name: str
    kind: str


@dataclass(frozen=True)
class Person:
    name: str
    role: str


@dataclass(frozen=True)
class Card:
    """One fill of one card: the label on the plastic, the reel it became, and where its clips lie on it."""

    label: str
    reel: str
    camera: str
    day: int
    folder: PurePosixPath
    note: str


@dataclass(frozen=True)
class Extra:
    """A file on a card that is no clip. `junk` is what an operating system left there."""

    reel: str
    path: PurePosixPath
    text: str
    junk: bool = False


@dataclass(frozen=True)
class MediaFile:
    """One file of a clip; `length` counts frames, or samples for a sound recorder."""

    name: str
    length: int

    @property
    def stem(self) -> str:
        return PurePosixPath(self.name).stem


@dataclass(frozen=True)
class Log:
    """What a person says of a clip. Codes are the vocabulary's; an empty text is nothing said."""

    kind: str = ""
    size: str = ""
    angle: str = ""
    movement: str = ""
    support: str = ""
    audio: str = ""
    rating: str = ""
    reason: str = ""
    int_ext: str = ""
    time_of_day: str = ""
    direction: str = ""
    sync: str = ""
    subject: str = ""
    place: str = ""
    scene: str = ""
    language: str = ""
    note: str = ""
    people: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Clip:
    """One recording: how its files are made, and its log."""

    reel: str
    files: tuple[MediaFile, ...]
    start: datetime
    """Wall clock where the film is shot, whatever zone the device keeps."""
    log: Log
    timecode: str = ""
    """Start timecode; empty where the device writes none."""
    picture: str = ""
    """Name of the scene; empty for sound alone."""
    sound: str = ""
    microphones: tuple[str, ...] = ("camera-left", "camera-right")
    tracks: tuple[str, ...] = ()
    """What a recorder calls its tracks; the microphones' own names unless given."""
    lens: str = ""
    fault: str = ""
    """"truncated" or "empty" for a file that was never finished."""

    @property
    def stem(self) -> str:
        """The name of the first file without its ending; with the reel it names the clip."""
        return self.files[0].stem

    @property
    def key(self) -> tuple[str, str]:
        return self.reel, self.stem


@dataclass(frozen=True)
class Written:
    """A passage of narration, what it needs to show (`what` in a wish's words), and the clip that does."""

    beat: str
    text: str
    picture: str
    what: str
    clip: str


@dataclass(frozen=True)
class OutlineItem:
    """One item of the paper edit. `cues` are numbered within their clip; `cover`: clips, end to end from the
    item's beginning; `late`: it came after the version that was kept."""

    kind: str
    name: str = ""
    mood: str = ""
    seconds: str = ""
    line: str = ""
    clip: str = ""
    cues: tuple[int, ...] = ()
    cover: tuple[str, ...] = ()
    late: bool = False


@dataclass(frozen=True)
class Outline:
    name: str
    target: int
    """Seconds it is to run."""
    version: str
    """Name under which it was kept before the late items."""
    items: tuple[OutlineItem, ...]


@dataclass(frozen=True)
class Production:
    name: str
    rate: str
    zone: str
    day_starts: time
    days: tuple[Day, ...]
    cameras: tuple[Camera, ...]
    lenses: tuple[Lens, ...]
    microphones: tuple[Microphone, ...]
    people: tuple[Person, ...]
    cards: tuple[Card, ...]
    extras: tuple[Extra, ...]
    clips: tuple[Clip, ...]
    answers: tuple[tuple[str, str], ...]
    """A wish of the plan by its code, and the clip that answers it."""
    narration: tuple[Written, ...]
    """Passages that were written to the footage."""
    channels: tuple[tuple[str, tuple[str, ...]], ...]
    """A clip, and what is on its channels as it would be typed."""
    outline: Outline
    releases: tuple[Mapping[str, str], ...]
    """Fields of each release as they would be typed."""
    tz: ZoneInfo = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "tz", ZoneInfo(self.zone))

    def camera(self, letter: str) -> Camera:
        return next(camera for camera in self.cameras if camera.letter == letter)

    def clips_of(self, reel: str) -> tuple[Clip, ...]:
        return tuple(clip for clip in self.clips if clip.reel == reel)

    def extras_of(self, reel: str) -> tuple[Extra, ...]:
        return tuple(extra for extra in self.extras if extra.reel == reel)


def load_production() -> Production:
    """Read `production.toml`, which lies beside this file."""
    text = resources.files("sample_media").joinpath("production.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    return Production(
        name=table["name"],
        rate=table["rate"],
        zone=table["zone"],
        day_starts=table["day_starts"],
        days=tuple(Day(**row) for row in table["day"]),
        cameras=tuple(Camera(**row) for row in table["camera"]),
        lenses=tuple(Lens(**row) for row in table["lens"]),
        microphones=tuple(Microphone(**row) for row in table["microphone"]),
        people=tuple(Person(**row) for row in table["person"]),
        cards=tuple(Card(**{**row, "folder": PurePosixPath(row["folder"])}) for row in table["card"]),
        extras=tuple(Extra(**{**row, "path": PurePosixPath(row["path"])}) for row in table["extra"]),
        clips=tuple(_read_clip(row) for row in table["clip"]),
        answers=tuple((row["wish"], row["clip"]) for row in table["answer"]),
        narration=tuple(Written(**row) for row in table["narration"]),
        channels=tuple((row["clip"], tuple(row["says"])) for row in table["channel"]),
        outline=_read_outline(table["outline"]),
        releases=tuple(table["release"]),
    )


def load_plan() -> bytes:
    """The plan of the film as it was written, `plan.md`, which lies beside this file."""
    return resources.files("sample_media").joinpath("plan.md").read_bytes()


def _read_outline(table: Mapping[str, Any]) -> Outline:
    items = tuple(OutlineItem(**_freeze(row)) for row in table["items"])
    return Outline(**{**table, "items": items})


def _read_clip(row: Mapping[str, Any]) -> Clip:
    files = tuple(MediaFile(each["name"], each.get("frames", each.get("samples"))) for each in row["files"])
    return Clip(**{**_freeze(row), "files": files, "log": Log(**_freeze(row["log"]))})


def _freeze(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: tuple(value) if isinstance(value, list) else value for name, value in row.items()}
