"""What of an outline needs a person's look, each with the item and the number. Nothing is forbidden.

The rules are common practice, no source, save those that state a fact of the catalogue.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Any

from shared.models import ClipMedia, Severity
from shared.outline.model import Cover, Outline, Part, Source
from shared.outline.running import Layout, Placed, Segment, edit_frames
from shared.plan.coverage import CUTAWAYS
from shared.plan.pieces import LEFT_OUT, NG, Flag, Piece

STITCHED = "Stitching may change what somebody said: a person listens to the whole answer and says so."


@dataclass(frozen=True, slots=True)
class Notice:
    """`number`: the item's place, from 1; 0: the whole outline. `code` says which rule spoke."""

    code: str
    number: int
    item: int | None
    text: str

    def as_json(self) -> dict[str, Any]:
        return {"code": self.code, "number": self.number, "item": self.item, "text": self.text}


@dataclass(frozen=True, slots=True)
class Around:
    """What the rules look at beside the outline. `cleared`: people with a release that holds; `standing`:
    how the releases of the others stand. `cutaways`: pieces that could cover a join, used or not;
    `more_cutaways`: there are more of them than were looked at."""

    cleared: frozenset[str] = frozenset()
    standing: Mapping[str, str] | None = None  # None: releases are not looked at
    cutaways: Sequence[Piece] = ()
    more_cutaways: bool = False


@dataclass(frozen=True, slots=True)
class JumpCuts:
    """`joins`: bare ones, at their edit frame. `cutaways`: unused pieces that could lie over them, with
    `more` at least so many."""

    joins: tuple[int, ...]
    cutaways: int
    seconds: Fraction
    more: bool = False


@dataclass(frozen=True, slots=True)
class Judgement:
    notices: tuple[Notice, ...]
    jump_cuts: JumpCuts

    def of(self, item: int) -> list[Notice]:
        return [one for one in self.notices if one.item == item]


def judge(layout: Layout, around: Around) -> Judgement:
    """Every notice, those of the whole outline first, then in the order of the items."""
    outline = layout.outline
    jumps, joins = _jump_cuts(layout)
    open_pieces = _unused(outline, around.cutaways)
    found = [*_length(layout)]
    for one in layout.placed:
        found += _words_changed(one)
        found += _stitched(one)
        found += _footage(one, outline.sources)
        found += _uncleared(one, outline.sources, around)
        found += _cover(one, outline)
    found += [*_twice(layout), *jumps]
    found.sort(key=lambda notice: notice.number)
    seconds = sum((one.usable for one in open_pieces), Fraction(0))
    counted = JumpCuts(tuple(joins), len(open_pieces), seconds, around.more_cutaways)
    return Judgement(tuple(found), counted)


def say_range(source: Source | None, first: int, end: int) -> str:
    """A range for people: the clip, and its frames with the end exclusive; a photograph by its name."""
    if source is not None and source.is_still:
        return source.take.name
    return f"{source.take.name if source is not None else 'a clip'} frames {first}–{end}"


def _notice(code: str, one: Placed, text: str) -> Notice:
    return Notice(code, one.number, one.item.id, text)


def _length(layout: Layout) -> Iterator[Notice]:
    target = layout.target
    if target is None or not layout.placed or layout.frames <= target:
        return
    over = layout.seconds(layout.frames - target)
    yield Notice("too-long", 0, None, f"It runs {float(over):.1f} s longer than the target.")


def _words_changed(one: Placed) -> Iterator[Notice]:
    for part in one.item.parts:
        if not part.hash or part.hash == part.hash_now:
            continue
        now = f"now “{part.words_now}”" if part.words_now else "now there is no transcript of it"
        yield _notice(
            "words-changed",
            one,
            f"The transcript was changed since this was chosen: it was “{part.words}”, {now}.",
        )


def _stitched(one: Placed) -> Iterator[Notice]:
    if one.item.is_stitched and not one.item.checked_by:
        parts = len(one.item.parts)
        yield _notice("stitched", one, f"A quote of {parts} parts that nobody checked. {STITCHED}")


def _footage(one: Placed, sources: Mapping[int, Source]) -> Iterator[Notice]:
    """Clips whose copies, rating or findings speak against the range that is used."""
    whole: set[int] = set()
    for part in one.item.ranges:
        source = sources[part.clip]
        what = "cover " if isinstance(part, Cover) else ""
        for code, text in _against(source, part):
            yield _notice(code, one, f"{what}{say_range(source, part.first, part.end)}: {text}")
        if part.clip not in whole:
            whole.add(part.clip)
            for text in _of_the_whole(source.take.flags):
                yield _notice("finding", one, f"{what}{source.take.name}, all of it: {text}")


def _of_the_whole(flags: Iterable[Flag]) -> Iterator[str]:
    """Findings that have no place in the clip, those of one kind together, as of each channel."""
    alike: dict[str, list[Flag]] = {}
    for flag in flags:
        if flag.span is None and flag.severity is not Severity.NOTE:
            alike.setdefault(flag.code, []).append(flag)
    for of_code in alike.values():
        more = f" (and {len(of_code) - 1} more of this kind)" if len(of_code) > 1 else ""
        yield of_code[0].message.rstrip(".") + more


def _against(source: Source, part: Part | Cover) -> Iterator[tuple[str, str]]:
    take = source.take
    if source.unproven:
        files = "1 file has" if source.unproven == 1 else f"{source.unproven} files have"
        yield "unsafe", f"{files} too few verified copies"
    if take.unreadable:
        yield "unreadable", take.unreadable
    spans = [span.said for span in take.moments if span.first < part.end and part.first < span.end]
    if any(said.rating == NG or said.kind in LEFT_OUT for said in (take.said, *spans)):
        yield "ng", "it is logged NG"
    for flag in take.flags:
        if flag.severity is Severity.NOTE or flag.span is None:
            continue
        if flag.span[0] < part.end and part.first < flag.span[1]:
            yield "finding", f"{flag.message.rstrip('.')} at frames {flag.span[0]}–{flag.span[1]}"


def _uncleared(one: Placed, sources: Mapping[int, Source], around: Around) -> Iterator[Notice]:
    if around.standing is None:
        return
    clips = dict.fromkeys(part.clip for part in one.item.ranges)
    people = [*one.item.speakers, *(name for clip in clips for name in sources[clip].take.people)]
    for name in dict.fromkeys(people):
        if name not in around.cleared:
            said = around.standing.get(name)
            how = f"the release is {said}" if said else "there is no release"
            yield _notice("uncleared", one, f"{name}: {how}.")


def _cover(one: Placed, outline: Outline) -> Iterator[Notice]:
    stops: list[tuple[Cover, int]] = []
    for cover in sorted(one.item.covers, key=lambda cover: cover.offset):
        source = outline.sources[cover.clip]
        stop = cover.offset + edit_frames(source, cover.first, cover.end, outline.rate)
        said = say_range(source, cover.first, cover.end)
        if stop > one.frames:
            yield _notice(
                "cover-too-long", one, f"cover {said} runs {stop - one.frames} edit frames past its item"
            )
        if stops and stops[-1][1] > cover.offset:
            over = min(stops[-1][1], stop) - cover.offset
            yield _notice(
                "cover-overlaps", one, f"cover {said} begins {over} edit frames inside the one before"
            )
        stops.append((cover, stop))


def _twice(layout: Layout) -> Iterator[Notice]:
    """The same frames of a clip in two places: named with the frames that both have."""
    seen: dict[int, list[tuple[Placed, Part | Cover]]] = {}
    for one in layout.placed:
        for part in one.item.ranges:
            for other, before in seen.get(part.clip, ()):
                first, end = max(part.first, before.first), min(part.end, before.end)
                if first < end:
                    where = f"item {other.number}" if other is not one else "this item"
                    source = layout.outline.sources[part.clip]
                    said = f"{say_range(source, first, end)} {'is' if source.is_still else 'are'}"
                    yield _notice("used-twice", one, f"{said} used already in {where}")
            seen.setdefault(part.clip, []).append((one, part))


# -- jump cuts ----------------------------------------------------------------------------------------


def has_jump_cuts(layout: Layout) -> bool:
    """Whether any join has nothing over it at which the same picture jumps."""
    return bool(_jump_cuts(layout)[1])


def _jump_cuts(layout: Layout) -> tuple[list[Notice], list[int]]:
    """Joins at which the same picture jumps: one clip, or one camera on one person, with nothing over it."""
    covers = [cover for one in layout.placed for cover in one.covers]
    seen = [(one, segment) for one in layout.placed for segment in one.segments if segment.has_picture]
    notices, joins = [], []
    for (_, before), (one, after) in pairwise(seen):
        if before.stop != after.start or not _jumps(before, after, layout.outline.sources):
            continue
        if any(cover.start <= after.start <= cover.stop for cover in covers):
            continue
        joins.append(after.start)
        name = layout.outline.sources[after.clip].take.name
        notices.append(
            _notice(
                "jump-cut", one, f"A jump cut: {name} follows the same picture and nothing covers the join."
            )
        )
    return notices, joins


def _jumps(before: Segment, after: Segment, sources: Mapping[int, Source]) -> bool:
    if before.is_still or after.is_still:
        return False  # nothing moves in a photograph that could jump
    if before.clip == after.clip:
        return before.end != after.first  # going on without a gap is no cut
    one, other = sources[before.clip].take, sources[after.clip].take
    if not one.camera or one.camera != other.camera:
        return False
    return bool(_seen_in(one.people, before) & _seen_in(other.people, after))


def _seen_in(people: Iterable[str], segment: Segment) -> set[str]:
    return {*people, segment.speaker} - {""}


def _unused(outline: Outline, pieces: Sequence[Piece]) -> list[Piece]:
    used = {(part.clip, part.first, part.end) for item in outline.items for part in item.ranges}

    def is_used(piece: Piece) -> bool:
        if piece.take.media is ClipMedia.IMAGE:
            return any(clip == piece.take.id for clip, _, _ in used)
        first = piece.moment.first if piece.moment is not None else 0
        end = piece.moment.end if piece.moment is not None else piece.take.frames or 0
        return any(clip == piece.take.id and a < end and first < b for clip, a, b in used)

    return [piece for piece in pieces if piece.usable and not is_used(piece)]


def is_cutaway(piece: Piece) -> bool:
    """Whether a piece could lie over a join: it has a picture, and is of a kind that is cut away to."""
    return piece.has_picture and piece.said.kind in CUTAWAYS
