"""Two states of an outline beside each other: what came, went, moved, was trimmed, and what that costs."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from shared.models import ItemKind
from shared.outline.model import Item, Part
from shared.outline.running import Layout
from shared.plan.coverage import seconds_json

_WORDS = 8


@dataclass(frozen=True, slots=True)
class Change:
    """`what`: added, removed, moved, trimmed or changed. `before`, `after`: places from 1, None: not there.
    `frames`: how much longer it takes, in frames of the edit rate."""

    what: str
    item: int
    words: str
    before: int | None
    after: int | None
    frames: int = 0

    def as_json(self) -> dict[str, Any]:
        return {
            "what": self.what,
            "item": self.item,
            "words": self.words,
            "before": self.before,
            "after": self.after,
            "frames": self.frames,
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """`frames`, `seconds`: how much longer the later one runs, exact; below 0: shorter."""

    changes: tuple[Change, ...]
    frames: int
    seconds: Fraction

    def of(self, what: str) -> list[Change]:
        return [one for one in self.changes if one.what == what]

    def as_json(self) -> dict[str, Any]:
        return {
            "changes": [one.as_json() for one in self.changes],
            "frames": self.frames,
            "seconds": seconds_json(self.seconds),
        }


def compare(earlier: Layout, later: Layout) -> Comparison:
    """Both of one production. An item is the same one as long as its id is."""
    old = {one.item.id: one for one in earlier.placed}
    new = {one.item.id: one for one in later.placed}
    both = [key for key in new if key in old]
    moved = _moved([old[key].number for key in both], both)
    found = [
        Change("removed", key, say_item(one.item), one.number, None, -one.frames)
        for key, one in old.items()
        if key not in new
    ]
    for key, one in new.items():
        words = say_item(one.item)
        if key not in old:
            found.append(Change("added", key, words, None, one.number, one.frames))
            continue
        was = old[key]
        more = one.frames - was.frames
        if key in moved:
            found.append(Change("moved", key, words, was.number, one.number))
        if _ranges(was.item) != _ranges(one.item):
            found.append(Change("trimmed", key, words, was.number, one.number, more))
        elif more or _rest(was.item) != _rest(one.item):
            found.append(Change("changed", key, words, was.number, one.number, more))
    frames = later.frames - earlier.frames
    return Comparison(tuple(found), frames, later.seconds(frames))


def say_item(item: Item) -> str:
    """An item in a few words."""
    words = item.words.split()
    text = " ".join(words[:_WORDS]) + (" …" if len(words) > _WORDS else "")
    quoted = f"“{text}”" if item.kind in (ItemKind.QUOTE, ItemKind.NARRATION) and text else text
    return f"{item.kind.value} {quoted}".strip()


def _ranges(item: Item) -> Any:
    return [(part.clip, part.first, part.end) for part in item.parts], item.length_ms


def _rest(item: Item) -> Item:
    """What else may differ; the words of a transcript as they are today are no edit of the outline."""
    parts = tuple(Part(one.clip, one.first, one.end, one.speaker, one.words, one.hash) for one in item.parts)
    return replace(item, parts=parts)


def _moved(places: Sequence[int], keys: Sequence[int]) -> set[int]:
    """The fewest items that have to move to make one order of the other: all but a longest run that rises."""
    ends: list[int] = []  # the least place with which a run of this length can end
    tails: list[int] = []
    before: list[int | None] = []
    for index, place in enumerate(places):
        length = bisect_left(ends, place)
        before.append(tails[length - 1] if length else None)
        ends[length : length + 1] = [place]
        tails[length : length + 1] = [index]
    stay: set[int] = set()
    at: int | None = tails[-1] if tails else None
    while at is not None:
        stay.add(keys[at])
        at = before[at]
    return set(keys) - stay
