"""An outline: items in order with stills and words, running time, shape, what needs a look, and versions."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import LARGEST_ID, ProductionName, ServiceDep
from api.handover.text import one_line, plain_text, say_length
from api.pages.cards import StillView, show_still
from api.pages.outline_shape import HEIGHT, WIDTH, draw_shape, ticks
from api.pages.site import SiteDep, link
from api.reads.clips import read_stills
from api.routes.outline_items import snapshot_tag
from api.routes.outlines import find_row, outline_tag
from shared.catalogue.clip_places import place_text
from shared.catalogue.clip_rows import range_text
from shared.catalogue.outline_rows import OutlineState, read_outline_state
from shared.catalogue.outlines import NOW, compare_versions, list_outlines, list_versions
from shared.catalogue.plan import list_lines
from shared.catalogue.productions import find_production
from shared.catalogue.transcripts import cues_of, speaker_name
from shared.db import reading
from shared.errors import NotFoundError
from shared.models import Clip, ClipMedia, ClipTranscript, LogEntry, Moment, Production
from shared.outline.judge import STITCHED
from shared.outline.model import Cover, Item, Part
from shared.outline.running import Known
from shared.outline.tell import label_of
from shared.plan.thresholds import PRACTICE

router = APIRouter()

_MOST_MOMENTS = 300
_MOST_PHOTOGRAPHS = 300
_MOST_CUTAWAYS = 100  # clips that are looked at for them: beyond it nobody counts on
_KNOWN = {Known.RECORDED: "", Known.ESTIMATED: "estimated", Known.SET: "as set"}
# A control of an item's trimming, whose place on the page is folded away but for the one in use.
_TRIMMED = re.compile(r"(?:trim|(?:in|out)-(?:back|on))-([0-9]{1,18})-[0-9]{1,9}", re.ASCII)
Id = Annotated[int | None, Query(ge=1, le=LARGEST_ID)]


@dataclass(frozen=True, slots=True)
class RangeView:
    """A range of a clip: its name, place in it by timecode, and the page that plays it."""

    what: str
    name: str
    range: str
    href: str
    still: StillView | None


@dataclass(frozen=True, slots=True)
class TrimView:
    """In and out of a part, as `read_frame` reads them, or the seconds of a photograph. `id`: of its
    controls. `what`: which of several parts."""

    part: int
    id: str
    what: str
    begins: str = ""
    ends: str = ""
    seconds: str = ""


@dataclass(frozen=True, slots=True)
class ItemView:
    """`tag`: what an edit of it has to say that it edits. `seconds`: of what has no range; empty: it has."""

    id: int
    number: int
    tag: str
    kind: str
    starts_at: str
    length: str
    known: str
    speakers: str
    words: str
    more: str
    ranges: tuple[RangeView, ...]
    trims: tuple[TrimView, ...]
    seconds: str
    stitched: bool
    checked_by: str
    cover: int
    notices: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CueView:
    id: int
    speaker: str
    text: str


@router.get("/outline")
def show_outline(
    service: ServiceDep,
    site: SiteDep,
    production: ProductionName = None,
    outline: Id = None,
    clip: Annotated[Id, Query(description="A clip whose cues are to choose from.")] = None,
    cover: Annotated[Id, Query(description="An item for which cover is to be chosen.")] = None,
    choose: Annotated[Literal["photograph"] | None, Query(description="What is to be listed.")] = None,
    earlier: Annotated[str | None, Query(max_length=200, description="A version to compare with.")] = None,
    focus: Annotated[str, Query(max_length=40, description="The control that has the focus.")] = "",
) -> Response:
    with reading(service.sessions) as session:
        row = find_row(session, outline) if outline is not None else None
        found = row.production if row is not None else find_production(session, production)
        there = list_outlines(session, found)
        row = row or (there[-1] if there else None)
        address = link("/outline", production=found.slug, outline=row.id if row is not None else None)
        others = [
            (one.name, link("/outline", production=found.slug, outline=one.id), one is row) for one in there
        ]
        if row is None:
            return site.render("outline.html", production=found, row=None, others=others)
        state = read_outline_state(session, found, row, cutaways=_MOST_CUTAWAYS)
        layout = state.layout
        return site.render(
            "outline.html",
            production=found,
            row=row,
            others=others,
            address=address,
            tag=outline_tag(session, row, state.contents),
            items=_items(session, state, service.settings.stills_folder),
            length=label_of(layout.outline, layout.frames),
            seconds=say_length(layout.seconds(layout.frames)),
            sums=[
                (one.value, say_length(layout.seconds(layout.known(one))))
                for one in Known
                if layout.known(one)
            ],
            frames=layout.frames,
            target=layout.target,
            target_said=None if layout.target is None else say_length(layout.seconds(layout.target)),
            whole=[one.text for one in state.judgement.notices if one.item is None],
            jumps=state.judgement.jump_cuts,
            lanes=draw_shape(layout, state.shape),
            ticks=ticks(layout),
            box=(WIDTH, HEIGHT),
            practice=PRACTICE,
            stitched=STITCHED,
            lines=_lines(session, found, state),
            moments=_moments(session, found),
            choosing=choose is not None,
            photographs=_photographs(session, found) if choose is not None or cover is not None else [],
            stands=state.thresholds["still-seconds"],
            talks=_talks(session, found, clip),
            cues=_cues(session, found, clip),
            versions=list_versions(session, row),
            earlier=earlier,
            focus=focus,
            covering=cover,
            trimmed=int(found_in[1]) if (found_in := _TRIMMED.fullmatch(focus)) else None,
            comparison=compare_versions(session, found, row, earlier, NOW) if earlier else None,
        )


def _items(session: Session, state: OutlineState, stills: Path) -> list[ItemView]:
    outline = state.layout.outline
    clips = {one.id: one for one in session.scalars(select(Clip).where(Clip.id.in_(outline.sources.keys())))}
    pictures = read_stills(session, list(clips))
    tags = {key: snapshot_tag(key, values) for key, values in state.contents}

    def view(one: Part | Cover, what: str) -> RangeView:
        clip = clips[one.clip]
        name = outline.sources[one.clip].take.name
        there = pictures.get(one.clip, ())
        near = min(
            there, key=lambda still: abs((still.frame or 0) - (one.first + one.end) // 2), default=None
        )
        return RangeView(
            what=what,
            name=one_line(name),
            range=_stands(one)
            if outline.sources[one.clip].is_still
            else range_text(clip, one.first, one.end),
            href=f"/clips/{one.clip}",
            still=show_still(near, one_line(name), stills) if near is not None else None,
        )

    def trims(item: Item) -> Iterator[TrimView]:
        many = len(item.parts) > 1
        for number, part in enumerate(item.parts, 1):
            what = f"part {number} of {len(item.parts)}" if many else ""
            if outline.sources[part.clip].is_still:
                given = {"seconds": f"{part.end / 1000:g}"}
            else:
                clip = clips[part.clip]
                given = {"begins": place_text(clip, part.first), "ends": place_text(clip, part.end)}
            yield TrimView(number, f"{item.id}-{number}", what, **given)

    return [
        ItemView(
            id=one.item.id,
            number=one.number,
            tag=tags[one.item.id],
            kind=one.item.kind.value,
            starts_at=label_of(outline, one.start),
            length=label_of(outline, one.frames),
            known=_KNOWN[one.known],
            speakers=one_line(", ".join(one.item.speakers)),
            words=plain_text(one.item.words),
            more=one_line(" · ".join(text for text in (one.item.mood, one.item.note) if text)),
            ranges=(
                *(view(part, "") for part in one.item.parts),
                *(view(cover, "cover ") for cover in one.item.covers),
            ),
            trims=tuple(trims(one.item)),
            seconds=f"{one.item.length_ms / 1000:g}" if one.item.length_ms and not one.segments else "",
            stitched=one.item.is_stitched,
            checked_by=one_line(one.item.checked_by),
            cover=len(one.item.covers),
            notices=tuple(notice.text for notice in state.judgement.of(one.item.id)),
        )
        for one in state.layout.placed
    ]


def _stands(part: Part | Cover) -> str:
    return f"a photograph, for {part.end / 1000:g} s"


def _lines(session: Session, production: Production, state: OutlineState) -> list[tuple[str, str]]:
    """Narration that does not stand in the outline yet."""
    used = {one.item.line.code for one in state.layout.placed if one.item.line is not None}
    return [(one.code, one_line(one.text)) for one in list_lines(session, production) if one.code not in used]


def _moments(session: Session, production: Production) -> list[tuple[int, str]]:
    """Moments to choose from, in the order of time."""
    rows = session.execute(
        select(Moment.id, Moment.name, Clip.name, LogEntry.subject)
        .join(Clip, Clip.id == Moment.clip_id)
        .outerjoin(LogEntry, LogEntry.moment_id == Moment.id)
        # Reckoned with, so that no planner walks all clips by their index for the few that have moments.
        .where(Clip.production_id + 0 == production.id)
        .order_by(Clip.shot_at.is_(None), Clip.shot_at, Clip.id, Moment.in_frame)
        .limit(_MOST_MOMENTS)
    )
    return [
        (key, one_line(f"{clip.rpartition('/')[2]}: {name or subject or f'moment {key}'}"))
        for key, name, clip, subject in rows
    ]


def _photographs(session: Session, production: Production) -> list[tuple[int, str]]:
    """Photographs to choose from, in the order of time."""
    rows = session.execute(
        select(Clip.id, Clip.name, LogEntry.subject)
        .outerjoin(LogEntry, LogEntry.clip_id == Clip.id)
        .where(Clip.production_id == production.id, Clip.media == ClipMedia.IMAGE)
        .order_by(Clip.shot_at.is_(None), Clip.shot_at, Clip.id)
        .limit(_MOST_PHOTOGRAPHS)
    )
    return [
        (key, one_line(": ".join(filter(None, (name.rpartition("/")[2], subject)))))
        for key, name, subject in rows
    ]


def _talks(session: Session, production: Production, chosen: int | None) -> list[tuple[int, str, bool]]:
    """Clips with a transcript: id, name, and whether it is the chosen one."""
    spoken = select(ClipTranscript.clip_id).distinct().subquery()
    rows = session.execute(
        select(Clip.id, Clip.name)
        .join(spoken, spoken.c.clip_id == Clip.id)
        .where(Clip.production_id == production.id)
        .order_by(Clip.shot_at.is_(None), Clip.shot_at, Clip.id)
    )
    return [(key, one_line(name.rpartition("/")[2]), key == chosen) for key, name in rows]


def _cues(session: Session, production: Production, clip_id: int | None) -> list[CueView]:
    """Raises NotFoundError for a clip that is not of this production."""
    if clip_id is None:
        return []
    clip = session.get(Clip, clip_id)
    if clip is None or clip.production_id != production.id:
        raise NotFoundError(f"there is no clip {clip_id} here", remedy="Choose one of the list.")
    return [
        CueView(one.id, one_line(speaker_name(one)), plain_text(one.text))
        for one in cues_of(session, clip_id)
    ]
