"""Outlines for the hand-over: laid out, with the files that their ranges lie in; read once."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.handover.leaving_out import leave_out
from api.handover.profile import EVERYTHING, Profile
from api.handover.shots import Part, Shot, gather_handover
from shared.catalogue.outline_rows import OutlineState, read_outline_state
from shared.catalogue.outlines import list_outlines
from shared.models import Clip, Production, now
from shared.outline.model import Item
from shared.outline.running import Layout, Segment, lay_out

_LONGEST_STEM = 60


@dataclass(frozen=True, slots=True)
class PaperEdit:
    """One outline with at least one item. `stem`: what its files are called by; `shots`: by the clip's id."""

    stem: str
    state: OutlineState
    shots: Mapping[int, Shot]

    @property
    def layout(self) -> Layout:
        return self.state.layout

    @property
    def has_photographs(self) -> bool:
        return any(segment.is_still for one in self.layout.placed for segment in (*one.segments, *one.covers))


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of one file in running time. `first`, `count`: frames (or samples) from the file's first;
    `start`, `frames`: in frames of the edit rate. `is_still`: a photograph, which is held."""

    shot: Shot
    part: Part
    first: int
    count: int
    start: int
    frames: int
    is_still: bool = False


def gather_outlines(
    session: Session, production: Production, profile: Profile = EVERYTHING
) -> tuple[PaperEdit, ...]:
    """Every outline of the production that has an item, in the order in which they were made, without what
    `profile` leaves out."""
    states = [read_outline_state(session, production, row) for row in list_outlines(session, production)]
    states = [_hide(one, profile) for one in states if one.layout.placed]
    wanted = {clip for one in states for clip in one.layout.outline.sources}
    shots: dict[int, Shot] = {}
    if wanted:
        clips = session.scalars(select(Clip).where(Clip.id.in_(wanted))).all()
        gathered = gather_handover(session, production, clips, query="", made_at=now())
        shots = {shot.clip.id: shot for shot in leave_out(gathered, profile).shots}
    stems = _stems([one.layout.outline.name for one in states])
    return tuple(
        PaperEdit(stem, one, {key: shots[key] for key in one.layout.outline.sources})
        for stem, one in zip(stems, states, strict=True)
    )


def _hide(state: OutlineState, profile: Profile) -> OutlineState:
    """The same outline in other words."""
    if not profile.parts:
        return state
    outline, judgement = state.layout.outline, state.judgement
    items = tuple(_hide_item(one, profile) for one in outline.items)
    return replace(
        state,
        layout=lay_out(replace(outline, name=profile.mask(outline.name), items=items)),
        judgement=replace(
            judgement,
            notices=tuple(replace(one, text=profile.mask(one.text)) for one in judgement.notices),
        ),
    )


def _hide_item(item: Item, profile: Profile) -> Item:
    line = item.line
    return replace(
        item,
        name=profile.mask(item.name),
        mood=profile.mask(item.mood),
        note=profile.mask(item.note),
        line=None if line is None else replace(line, text=profile.mask(line.text), picture="", beat=""),
        parts=tuple(
            replace(
                part, speaker=profile.mask(profile.name(part.speaker)), words=profile.mask(part.words),
                words_now=None,
            )
            for part in item.parts
        ),
    )  # fmt: skip


def shots_of(edits: Iterable[PaperEdit]) -> Iterator[Shot]:
    for edit in edits:
        yield from edit.shots.values()


def _stems(names: Sequence[str]) -> list[str]:
    """File names of plain letters, no two alike even where a file system does not tell cases apart."""
    found: list[str] = []
    for name in names:
        plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")[:_LONGEST_STEM] or "outline"
        stem, number = plain, 2
        while stem in found:
            stem, number = f"{plain}_{number}", number + 1
        found.append(stem)
    return found


def pieces_of(segment: Segment, shot: Shot) -> list[Piece]:
    """A segment by the files it lies in: an edit frame is of the file that is on show at its instant.

    Frames whose file has no known place in the clip are in no piece.
    """
    if segment.is_still:
        return [
            Piece(shot, one, 0, 1, segment.start, segment.frames, is_still=True) for one in shot.parts[:1]
        ]
    found: list[Piece] = []
    for part in shot.parts:
        if part.offset is None or part.count is None:
            continue
        begin, end = max(segment.first, part.offset), min(segment.end, part.offset + part.count)
        if begin >= end:
            continue
        at = ceil((begin - segment.first) / segment.ratio)
        stop = segment.frames
        if end < segment.end:
            stop = min(stop, ceil((end - segment.first) / segment.ratio))
        if stop <= at:
            continue
        first = segment.source_frame(at)
        found.append(Piece(shot, part, first - part.offset, end - first, segment.start + at, stop - at))
    return found
