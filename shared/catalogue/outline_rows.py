"""An outline with all that its rules look at, read from the catalogue into frozen rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session, selectinload

from shared.catalogue.chunks import in_chunks
from shared.catalogue.outline_kinds import read_item
from shared.catalogue.plan import list_lines, read_thresholds
from shared.catalogue.plan_rows import read_takes
from shared.catalogue.transcripts import spoken_between, text_hash
from shared.catalogue.wrap import describe_lines, read_release_infos
from shared.models import (
    Clip,
    ClipCue,
    ClipFile,
    Copy,
    CopyState,
    FileRole,
    ItemKind,
    LogEntry,
    MeasureKind,
    Measurement,
    Moment,
    OutlineItem,
    Production,
    TakeFacts,
)
from shared.models import Outline as OutlineRow
from shared.models.measures import READ_VERSIONS
from shared.outline.judge import Around, Judgement, has_jump_cuts, is_cutaway, judge
from shared.outline.model import Cover, Item, Outline, Part, Source
from shared.outline.running import Layout, lay_out
from shared.outline.shape import Curve, Shape, shape_of
from shared.plan.coverage import CUTAWAYS
from shared.plan.pieces import Piece, Take, make_pieces
from shared.plan.thresholds import Thresholds
from shared.plan.wishes import LineInfo
from shared.plan.wrap import people_standing

Contents = Sequence[tuple[int, Mapping[str, Any]]]  # an item's id, and its snapshot
# What an item's snapshot names, in a statement each for all items.
WHOLE_ITEM = (
    selectinload(OutlineItem.parts), selectinload(OutlineItem.covers), selectinload(OutlineItem.line)
)  # fmt: skip
_SILENT = -120.0  # dB, as measurements have it


@dataclass(frozen=True, slots=True)
class OutlineState:
    """An outline as it stands: laid out, judged, and its shape. `contents`: the snapshots of its items."""

    contents: Contents
    layout: Layout
    judgement: Judgement
    shape: Shape
    thresholds: Thresholds


class Footage:
    """What outlines and versions are made of, each clip read once however many of them name it."""

    def __init__(self, session: Session, production: Production) -> None:
        self.session, self.production = session, production
        self.thresholds = read_thresholds(session, production)
        self.takes: dict[int, Take] = {}
        rows = list_lines(session, production)
        infos = describe_lines(rows, production.language, self.thresholds)
        self.lines = {one.code: one for one in infos}

    def outline(self, row: OutlineRow, contents: Contents, *, words: bool = True) -> Outline:
        """`contents` in any order; `words`: with what the transcripts say now."""
        ordered = sorted(contents, key=lambda one: (one[1]["rank"], one[0]))
        named = {part["clip"] for _, values in ordered for part in (*values["parts"], *values["covers"])}
        self._read(named)
        clips = named & self.takes.keys()
        spoken = _cues(self.session, clips) if words else {}
        items = [_item(key, values, self.lines, self.takes, spoken) for key, values in ordered]
        return Outline(
            id=row.id,
            name=row.name,
            rate=self.production.rate,
            drop_frame=self.production.drop_frame,
            target=row.target_seconds,
            items=tuple(items),
            sources=_sources(self.session, self.takes, clips, self.thresholds),
        )

    def _read(self, clips: Iterable[int]) -> None:
        """Those that are not read yet; one that is gone is in `takes` never."""
        for chunk in in_chunks(sorted(set(clips) - self.takes.keys())):
            self.takes |= {take.id: take for take in read_takes(self.session, self.production, chunk)}


def read_cutaways(
    session: Session, production: Production, thresholds: Thresholds, most: int | None
) -> tuple[list[Piece], bool]:
    """Pieces that could lie over a join, of `most` clips (None: of all), and whether there are more clips."""
    clips = _cutaway_clips(session, production, None if most is None else most + 1)
    more = most is not None and len(clips) > most
    takes = [take for chunk in in_chunks(clips[:most]) for take in read_takes(session, production, chunk)]
    return [one for one in make_pieces(takes, thresholds) if is_cutaway(one)], more


def _cutaway_clips(session: Session, production: Production, most: int | None) -> list[int]:
    """Clips that are logged as such, or have a moment that is."""
    mine, of_kind = Clip.production_id == production.id, LogEntry.kind.in_(CUTAWAYS)
    of_clips = select(Clip.id).join(LogEntry, LogEntry.clip_id == Clip.id).where(mine, of_kind)
    of_moments = (
        select(Clip.id)
        .join(Moment, Moment.clip_id == Clip.id)
        .join(LogEntry, LogEntry.moment_id == Moment.id)
        .where(mine, of_kind)
    )
    found = dict.fromkeys(session.scalars(of_clips.limit(most)))
    if most is None or len(found) < most:
        found |= dict.fromkeys(session.scalars(of_moments.limit(most)))
    return list(found)


def read_contents(session: Session, outline: OutlineRow) -> list[tuple[int, dict[str, Any]]]:
    """The snapshots of an outline's items, in order."""
    rows = select(OutlineItem).where(OutlineItem.outline_id == outline.id).options(*WHOLE_ITEM)
    found = [(row.id, read_item(session, row)) for row in session.scalars(rows)]
    return sorted(found, key=lambda one: (one[1]["rank"], one[0]))


def read_outline_state(
    session: Session, production: Production, row: OutlineRow, *, cutaways: int | None = None
) -> OutlineState:
    """The outline as it stands now, with every notice and its shape. `cutaways`: of how many clips those are
    read that jump cuts are counted against, if there is any; None: of all. A log may have very many."""
    footage = Footage(session, production)
    contents = read_contents(session, row)
    layout = lay_out(footage.outline(row, contents))
    releases = read_release_infos(session, production)
    cleared, standing = people_standing(releases)
    pieces: list[Piece] = []
    more = False
    if cutaways is None or has_jump_cuts(layout):
        pieces, more = read_cutaways(session, production, footage.thresholds, cutaways)
    around = Around(frozenset(cleared), standing, pieces, more)
    curves = read_curves(session, layout.outline.sources.values())
    return OutlineState(
        contents=contents,
        layout=layout,
        judgement=judge(layout, around),
        shape=shape_of(layout, curves, footage.thresholds),
        thresholds=footage.thresholds,
    )


def _item(
    key: int,
    values: Mapping[str, Any],
    lines: Mapping[str, LineInfo],
    takes: Mapping[int, Take],
    spoken: Mapping[int, Sequence[ClipCue]],
) -> Item:
    return Item(
        id=key,
        kind=ItemKind(values["kind"]),
        name=values["name"],
        mood=values["mood"],
        note=values["note"],
        length_ms=values["length_ms"],
        line=lines.get(values["line"]) if values["line"] is not None else None,
        parts=tuple(_part(one, spoken.get(one["clip"])) for one in values["parts"] if one["clip"] in takes),
        covers=tuple(
            Cover(one["clip"], one["in"], one["out"], one["at"])
            for one in values["covers"]
            if one["clip"] in takes
        ),
        checked_by=values["checked_by"],
    )


def _part(values: Mapping[str, Any], cues: Sequence[ClipCue] | None) -> Part:
    now = spoken_between(cues, values["in"], values["out"]).text if cues else None
    return Part(
        clip=values["clip"],
        first=values["in"],
        end=values["out"],
        speaker=values["speaker"],
        words=values["words"],
        hash=values["hash"],
        words_now=now or None,
        hash_now=text_hash(now) if now else None,
    )


def _cues(session: Session, clips: Iterable[int]) -> dict[int, list[ClipCue]]:
    found: dict[int, list[ClipCue]] = defaultdict(list)
    for chunk in in_chunks(clips):
        rows = select(ClipCue).where(ClipCue.clip_id.in_(chunk)).options(selectinload(ClipCue.person))
        for cue in session.scalars(rows.order_by(ClipCue.start_frame, ClipCue.id)):
            found[cue.clip_id].append(cue)
    return found


def _sources(
    session: Session, takes: Mapping[int, Take], clips: Iterable[int], thresholds: Thresholds
) -> dict[int, Source]:
    found: dict[int, Source] = {}
    for chunk in in_chunks(clips):
        unproven = _unproven(session, chunk, thresholds["copies"])
        rows = select(Clip.id, Clip.start_frame, Clip.drop_frame).where(Clip.id.in_(chunk))
        for key, start, drop in session.execute(rows):
            found[key] = Source(takes[key], start, drop, unproven.get(key, 0))
    return found


def _unproven(session: Session, clips: Sequence[int], copies: int) -> dict[int, int]:
    """How many files of a clip have fewer verified copies, at as many destinations, than are wanted."""
    verified = func.count(case((Copy.state == CopyState.VERIFIED, Copy.destination_id)).distinct())
    each = (
        select(ClipFile.clip_id.label("clip"), verified.label("verified"))
        .outerjoin(Copy, Copy.file_id == ClipFile.file_id)
        .where(ClipFile.clip_id.in_(clips), ClipFile.role == FileRole.ESSENCE)
        .group_by(ClipFile.clip_id, ClipFile.file_id)
        .subquery()
    )
    rows = select(each.c.clip, func.count()).where(each.c.verified < copies).group_by(each.c.clip)
    return dict(session.execute(rows).all())


def read_curves(session: Session, sources: Iterable[Source]) -> dict[int, Curve]:
    """The measured sound level of these clips, the loudest of their channels; of spanning ones end to end."""
    rates = {one.take.id: one.per_second for one in sources}
    found: dict[int, Curve] = {}
    for chunk in in_chunks(rates):
        rows = (
            select(ClipFile.clip_id, TakeFacts.frames, Measurement.version, Measurement.numbers)
            .outerjoin(TakeFacts, TakeFacts.file_id == ClipFile.file_id)
            .outerjoin(
                Measurement,
                (Measurement.file_id == ClipFile.file_id) & (Measurement.kind == MeasureKind.SOUND),
            )
            .where(ClipFile.clip_id.in_(chunk), ClipFile.role == FileRole.ESSENCE)
            .order_by(ClipFile.clip_id, ClipFile.ordinal)
        )
        by_clip: dict[int, list[Any]] = defaultdict(list)
        for key, *rest in session.execute(rows):
            by_clip[key].append(rest)
        for key, files in by_clip.items():
            if (curve := _curve(files, rates[key])) is not None:
                found[key] = curve
    return found


def _curve(files: Sequence[Sequence[Any]], per_second: Fraction) -> Curve | None:
    """The curves of a clip's files end to end; up to the first one that was not measured."""
    levels: list[float] = []
    step, seconds = 0.0, Fraction(0)
    for frames, version, numbers in files:
        channels = numbers["channels"] if numbers and version == READ_VERSIONS[MeasureKind.SOUND] else []
        if not channels or (step and channels[0]["curve_seconds"] != step):
            break
        step = float(channels[0]["curve_seconds"])
        curves = [one["rms_curve"] for one in channels]
        levels += [max(one[at] for one in curves if at < len(one)) for at in range(max(map(len, curves)))]
        if frames is None or not per_second:
            break
        # A file's sound may end before its picture or after it: the next one's begins with its picture.
        seconds += Fraction(frames) / per_second
        wanted = round(float(seconds) / step)
        levels = levels[:wanted] + [_SILENT] * (wanted - len(levels))
    return Curve(step, levels) if levels else None
