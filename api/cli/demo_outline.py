"""The demo's paper edit: items in order, a version that was kept, and what came after it."""

from __future__ import annotations

from sqlalchemy.orm import Session

from api.cli.app import Root
from api.cli.outline_show import print_outline
from sample_media.production import OutlineItem
from sample_media.production import Production as Sample
from shared.catalogue.journal import Values
from shared.catalogue.log import find_one_clip
from shared.catalogue.outline_rows import read_outline_state
from shared.catalogue.outline_values import Range, cover_values, cue_ranges, parts_for, plain_values
from shared.catalogue.outlines import add_item, find_outline, keep_version, make_outline
from shared.catalogue.plan_values import find_line
from shared.catalogue.productions import find_production
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcripts import cues_of
from shared.db import reading, writing
from shared.models import Clip, ItemKind, Production


def enter_outline(root: Root, sample: Sample) -> None:
    """Two edits: the outline with its first version, and the items put in later at their places."""
    given = sample.outline
    with writing(root.sessions) as session:
        production = find_production(session, sample.name)
        edit = RowsEdit(session, production, "demo", "the paper edit")
        outline = make_outline(edit, given.name, given.target)
        for item in given.items:
            if not item.late:
                add_item(edit, outline, ItemKind(item.kind), _values(session, production, item))
        keep_version(edit, outline, given.version)
        edit.close()
        later = RowsEdit(session, production, "demo", "the paper edit, on the evening after")
        for place, item in enumerate(given.items, start=1):
            if item.late:
                add_item(later, outline, ItemKind(item.kind), _values(session, production, item), place)
        later.close()


def show_outline(root: Root) -> None:
    with reading(root.sessions) as session:
        production = find_production(session, None)
        print_outline(root, read_outline_state(session, production, find_outline(session, production, None)))


def _values(session: Session, production: Production, item: OutlineItem) -> Values:
    kind = ItemKind(item.kind)
    values = plain_values(name=item.name or None, mood=item.mood or None, seconds=item.seconds or None)
    if item.line:
        values["line"] = find_line(session, production, item.line).code
    if item.clip:
        values["parts"] = parts_for(session, kind, _ranges(session, production, item))
    if item.cover:
        values["covers"] = _covers([find_one_clip(session, production, name) for name in item.cover])
    return values


def _ranges(session: Session, production: Production, item: OutlineItem) -> list[Range]:
    clip = find_one_clip(session, production, item.clip)
    if not item.cues:
        return [Range(clip)]
    cues = cues_of(session, clip.id)
    return cue_ranges(session, production, [cues[number - 1].id for number in item.cues])


def _covers(clips: list[Clip]) -> list[Values]:
    """Each where the one before ends, in frames of the production's own rate."""
    covers: list[Values] = []
    at = 0
    for clip in clips:
        covers.append(cover_values(Range(clip), at))
        assert clip.per_second is not None and clip.frames is not None
        at += int(clip.frames / clip.per_second * clip.production.rate.fraction)
    return covers
