"""Outlines made of nothing but numbers, for the rules that know no database."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

from shared.models import ClipMedia, ItemKind
from shared.outline.model import Cover, Item, Outline, Part, Source
from shared.plan.pieces import Said, Take
from shared.plan.wishes import LineInfo
from shared.timecode import Rate

PAL = Rate(25)


def source(key: int, per_second: Fraction | int = 25, frames: int = 10_000, **values: Any) -> Source:
    """A clip; `values` of the take, save those that are the source's own."""
    own = {name: values.pop(name) for name in ("start", "drop_frame", "unproven") if name in values}
    defaults: dict[str, Any] = {
        "name": f"A001/C{key:04}",
        "day": 1,
        "camera": "A",
        "media": ClipMedia.VIDEO,
        "per_second": Fraction(per_second),
        "frames": frames,
        "logged": True,
        "said": Said(),
    }
    return Source(Take(key, **(defaults | values)), **own)


def quote(key: int, *ranges: tuple[int, int, int], **values: Any) -> Item:
    return Item(key, ItemKind.QUOTE, parts=tuple(Part(*one) for one in ranges), **values)


def scene(key: int, clip: int, first: int, end: int, **values: Any) -> Item:
    return Item(key, ItemKind.SCENE, parts=(Part(clip, first, end),), **values)


def title(key: int, milliseconds: int, name: str = "1932") -> Item:
    return Item(key, ItemKind.TITLE, name=name, length_ms=milliseconds)


def music(key: int, milliseconds: int, name: str = "Low strings") -> Item:
    return Item(key, ItemKind.MUSIC, name=name, mood="calm", length_ms=milliseconds)


def narration(key: int, milliseconds: int, *, recorded: bool = False, text: str = "At dawn.") -> Item:
    line = LineInfo(key, f"N{key}", "Opening", text, "", len(text.split()), milliseconds, recorded)
    return Item(key, ItemKind.NARRATION, line=line)


def cover(clip: int, first: int, end: int, offset: int = 0) -> Cover:
    return Cover(clip, first, end, offset)


def outline(*items: Item, rate: Rate = PAL, sources: tuple[Source, ...] = (), **values: Any) -> Outline:
    """Clips that are not given are made, at 25 frames a second."""
    given = {one.take.id: one for one in sources}
    for item in items:
        for part in item.ranges:
            given.setdefault(part.clip, source(part.clip))
    return Outline(1, "The film", rate, items=items, sources=given, **values)


def said(one: Source, **values: Any) -> Source:
    """The same clip, logged so."""
    return replace(one, take=replace(one.take, said=Said(**values)))
