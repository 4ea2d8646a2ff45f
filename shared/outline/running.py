"""Where everything of an outline lies in running time, in whole frames of the edit rate.

The rule, exact in rationals: a range of `n` frames at rate `r` lasts n / r seconds, and takes the whole edit
frames that fit into that, at least one. So it never shows a frame that was not chosen, loses less than one
edit frame, and takes the same room wherever it stands. At the clip's own rate nothing is lost. Edit frame `k`
of a range shows the source frame on show at that instant: floor(k / edit rate * r) after its first.
Lengths given in seconds, also of a photograph, take the nearest whole number of edit frames, at least one.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor

from shared.models import ClipMedia, ItemKind
from shared.outline.model import Item, Outline, Source
from shared.timecode import Rate


class Known(enum.StrEnum):
    """Where an item's length comes from."""

    RECORDED = "recorded"  # footage, or narration that was read
    ESTIMATED = "estimated"  # narration by its words
    SET = "set"  # a person gave the seconds


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of one clip in running time. `first`, `end`: its frames of the clip; `start`, `frames`: in
    frames of the edit rate. `ratio`: clip frames in an edit frame. `is_still`: a photograph, whose one frame
    is held."""

    clip: int
    first: int
    end: int
    start: int
    frames: int
    ratio: Fraction
    has_picture: bool = True
    speaker: str = ""
    is_still: bool = False

    @property
    def stop(self) -> int:
        """The edit frame after the last."""
        return self.start + self.frames

    def source_frame(self, at: int) -> int:
        """The clip's frame on show `at` edit frames after the start."""
        return self.first + floor(at * self.ratio)

    def cut(self, start: int, stop: int) -> Segment:
        """The share of it from edit frame `start` up to `stop`, both inside."""
        first = self.source_frame(start - self.start)
        end = self.end if stop == self.stop else max(first + 1, self.source_frame(stop - self.start))
        return replace(self, first=first, end=end, start=start, frames=stop - start)


@dataclass(frozen=True, slots=True)
class Placed:
    """An item in running time. `covers` are cut at its end, and where the next one begins."""

    number: int  # from 1
    item: Item
    start: int
    frames: int
    known: Known
    segments: tuple[Segment, ...]
    covers: tuple[Segment, ...]

    @property
    def stop(self) -> int:
        return self.start + self.frames


@dataclass(frozen=True, slots=True)
class Layout:
    """An outline laid out. All counts are frames of its edit rate."""

    outline: Outline
    placed: tuple[Placed, ...]

    @property
    def frames(self) -> int:
        return self.placed[-1].stop if self.placed else 0

    def known(self, known: Known) -> int:
        """Frames whose length is known in this way."""
        return sum(one.frames for one in self.placed if one.known is known)

    @property
    def target(self) -> int | None:
        """The nearest whole number of frames to the seconds wanted."""
        wanted = self.outline.target
        return None if wanted is None else self.outline.rate.nearest_frame(Fraction(wanted))

    def seconds(self, frames: int) -> Fraction:
        return self.outline.rate.frames_to_seconds(frames)


def edit_frames(source: Source, first: int, end: int, rate: Rate) -> int:
    """Whole frames of the edit that a range of a clip takes, at least one. See the module."""
    seconds = Fraction(end - first) / source.per_second
    return max(1, rate.nearest_frame(seconds) if source.is_still else rate.seconds_to_frames(seconds))


def lay_out(outline: Outline) -> Layout:
    """Place every item after the one before it."""
    placed: list[Placed] = []
    at = 0
    for number, item in enumerate(outline.items, 1):
        one = _place(outline, number, item, at)
        placed.append(one)
        at = one.stop
    return Layout(outline, tuple(placed))


def _place(outline: Outline, number: int, item: Item, start: int) -> Placed:
    segments: list[Segment] = []
    at = start
    for part in item.parts:
        one = _segment(outline, part.clip, part.first, part.end, at, part.speaker)
        segments.append(one)
        at = one.stop
    held = bool(segments) and all(one.is_still for one in segments)
    known, frames = Known.SET if held else Known.RECORDED, at - start
    if not segments:
        known, milliseconds = _given(item)
        frames = max(1, outline.rate.nearest_frame(Fraction(milliseconds, 1000)))
    covers = _covers(outline, item, start, start + frames)
    return Placed(number, item, start, frames, known, tuple(segments), covers)


def _given(item: Item) -> tuple[Known, int]:
    """A length that no footage gives, in milliseconds."""
    if item.kind is ItemKind.NARRATION and item.line is not None:
        return Known.RECORDED if item.line.recorded else Known.ESTIMATED, item.line.milliseconds
    return Known.SET, item.length_ms or 0


def _segment(outline: Outline, clip: int, first: int, end: int, at: int, speaker: str = "") -> Segment:
    source = outline.sources[clip]
    frames = edit_frames(source, first, end, outline.rate)
    if source.is_still:
        return Segment(clip, 0, 1, at, frames, Fraction(0), speaker=speaker, is_still=True)
    ratio = source.per_second / outline.rate.fraction
    return Segment(clip, first, end, at, frames, ratio, _has_picture(source), speaker)


def _has_picture(source: Source) -> bool:
    return source.take.media is not ClipMedia.AUDIO


def _covers(outline: Outline, item: Item, start: int, stop: int) -> tuple[Segment, ...]:
    whole = sorted(
        (_segment(outline, one.clip, one.first, one.end, start + one.offset) for one in item.covers),
        key=lambda one: one.start,
    )
    found = []
    for place, one in enumerate(whole):
        last = min(one.stop, stop, *(after.start for after in whole[place + 1 : place + 2]))
        if last > one.start:
            found.append(one.cut(one.start, last))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Cut:
    """One picture from cut to cut; `segment` None: nothing of a clip is seen (black, or a title)."""

    start: int
    frames: int
    item: Placed
    segment: Segment | None
    is_cover: bool = False


def picture_cuts(layout: Layout) -> list[Cut]:
    """What is seen, from cut to cut, with cover where it lies."""
    return [cut for one in layout.placed for cut in _cuts_of(one)]


def _cuts_of(one: Placed) -> list[Cut]:
    cuts = [Cut(cover.start, cover.frames, one, cover, is_cover=True) for cover in one.covers]
    for start, stop, segment in _base(one):
        at = start
        for cover in one.covers:
            if cover.stop <= at or cover.start >= stop:
                continue
            cuts += _seen(one, segment, at, cover.start)
            at = min(cover.stop, stop)
        cuts += _seen(one, segment, at, stop)
    return sorted(cuts, key=lambda cut: cut.start)


def _base(one: Placed) -> Iterator[tuple[int, int, Segment | None]]:
    """The first track below the cover: where a picture of a clip is, and where there is none."""
    if not one.segments:
        yield one.start, one.stop, None
    for segment in one.segments:
        yield segment.start, segment.stop, segment if segment.has_picture else None


def _seen(one: Placed, segment: Segment | None, start: int, stop: int) -> list[Cut]:
    if stop <= start:
        return []
    return [Cut(start, stop - start, one, segment.cut(start, stop) if segment is not None else None)]
