"""An outline as the rules see it: frozen rows, ranges in each clip's own frames, nothing of the database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from shared.models import ClipMedia, ItemKind
from shared.plan.pieces import Take
from shared.plan.wishes import LineInfo
from shared.timecode import Rate

_MILLISECONDS = Fraction(1000)


@dataclass(frozen=True, slots=True)
class Source:
    """A clip, or a photograph, that may stand in an outline. `unproven`: how many of its files have too few
    verified copies. `start`: its start timecode as a count; None: it has none."""

    take: Take
    start: int | None = None
    drop_frame: bool = False
    unproven: int = 0

    @property
    def per_second(self) -> Fraction:
        """What its ranges count, a second: frames, samples, or of a photograph milliseconds. 0 where nobody
        knows: nothing of it can be placed."""
        return _MILLISECONDS if self.is_still else self.take.per_second or Fraction(0)

    @property
    def is_still(self) -> bool:
        """Whether it is a photograph, which stands for as long as somebody said."""
        return self.take.media is ClipMedia.IMAGE


@dataclass(frozen=True, slots=True)
class Part:
    """A range of a clip, end exclusive; of a photograph from 0 up to its milliseconds. `words`, `hash`: what
    was said there when it was chosen; `words_now`, `hash_now`: what the transcript says now, None where there
    is none."""

    clip: int
    first: int
    end: int
    speaker: str = ""
    words: str = ""
    hash: str = ""
    words_now: str | None = None
    hash_now: str | None = None


@dataclass(frozen=True, slots=True)
class Cover:
    """A range of a clip that lies over an item's picture. `offset`: edit frames from the item's start."""

    clip: int
    first: int
    end: int
    offset: int


@dataclass(frozen=True, slots=True)
class Item:
    """One item. `length_ms`: of a title, or of music that has no clip. `line`: the narration's."""

    id: int
    kind: ItemKind
    name: str = ""
    mood: str = ""
    note: str = ""
    length_ms: int | None = None
    line: LineInfo | None = None
    parts: tuple[Part, ...] = ()
    covers: tuple[Cover, ...] = ()
    checked_by: str = ""

    @property
    def ranges(self) -> tuple[Part | Cover, ...]:
        """Everything that it takes from clips."""
        return (*self.parts, *self.covers)

    @property
    def words(self) -> str:
        """What is to be heard or read: the quote, the narration, the title; else its name."""
        if self.kind is ItemKind.QUOTE and any(part.words for part in self.parts):
            return " … ".join(part.words for part in self.parts if part.words)
        if self.line is not None:
            return self.line.text
        return self.name

    @property
    def speakers(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(part.speaker for part in self.parts if part.speaker))

    @property
    def is_stitched(self) -> bool:
        return self.kind is ItemKind.QUOTE and len(self.parts) > 1


@dataclass(frozen=True, slots=True)
class Outline:
    """`target`: seconds it is to run. `rate`, `drop_frame`: the production's edit rate and counting.
    `sources`: every clip that an item names, by id."""

    id: int
    name: str
    rate: Rate
    drop_frame: bool = False
    target: int | None = None
    items: tuple[Item, ...] = ()
    sources: Mapping[int, Source] = field(default_factory=dict)
