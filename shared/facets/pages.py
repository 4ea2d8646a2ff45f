"""A page of the clips found, in the order of time, without sorting them all.

Where many of all clips are found, the next ones stand along the index of times. Else clips are kept by the
date they were shot on: going through the dates in order, some hundred clips are enough to ask for.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

from pyroaring import BitMap
from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.chunks import in_chunks
from shared.catalogue.search import Cursor, Page, read_entries
from shared.facets.state import State
from shared.models import Clip, Production, Still

DENSE = 10  # one clip in so many is found: then the next of all clips hold enough of them
_NO_TIME = dt.datetime.max.replace(tzinfo=dt.UTC)


def candidates(state: State, found: BitMap, wanted: int, after: Cursor | None) -> BitMap:
    """Clips among which the next `wanted` are: whole dates, and last some of unknown time, by id."""
    likely = BitMap()
    missing = wanted
    if after is None or after.shot_at is not None:
        dates = state.values.get("shot", {})
        begins = "" if after is None or after.shot_at is None else after.shot_at.date().isoformat()
        for date in sorted(map(str, dates)):
            if date < begins:
                continue
            of_date = found & dates[date]
            likely |= of_date
            if date > begins:  # of the place's own date all may lie before it
                missing -= len(of_date)
            if missing <= 0:
                return likely
    first = after.id + 1 if after is not None and after.shot_at is None else 0
    undated = found - state.clips_with_any("shot")
    return likely | BitMap(islice(undated.iter_equal_or_larger(first), missing))


def next_places(
    session: Session, production: Production, found: BitMap, of: int, wanted: int, after: Cursor | None
) -> list[Cursor] | None:
    """The next `wanted` places of the clips found, `of` so many, along the index of times. None: too few of
    the production's next clips are among them, and looking on would take long.
    """
    if len(found) * DENSE < of or (after is not None and after.shot_at is None):
        return None
    rows = select(Clip.shot_at, Clip.id).where(Clip.production_id == production.id, Clip.shot_at.is_not(None))
    if after is not None:
        beyond = (Clip.shot_at > after.shot_at) | (Clip.id > after.id)
        rows = rows.where(Clip.shot_at >= after.shot_at, beyond)
    looked_at = wanted if len(found) == of else wanted * DENSE
    places = session.execute(rows.order_by(Clip.shot_at, Clip.id).limit(looked_at))
    among = [Cursor(shot_at, key) for shot_at, key in places if key in found]
    return among[:wanted] if len(among) >= wanted else None


def read_places(session: Session, clip_ids: BitMap, wanted: int, after: Cursor | None) -> list[Cursor]:
    """The first `wanted` of these clips after a place, in the order of time."""
    found: list[Cursor] = []
    for chunk in in_chunks(clip_ids):
        rows = session.execute(select(Clip.shot_at, Clip.id).where(Clip.id.in_(chunk)))
        found.extend(Cursor(shot_at, key) for shot_at, key in rows)
    first = None if after is None else _order(after)
    return sorted((one for one in found if first is None or _order(one) > first), key=_order)[:wanted]


def _order(place: Cursor) -> tuple[bool, dt.datetime, int]:
    return place.shot_at is None, place.shot_at or _NO_TIME, place.id


@dataclass(frozen=True, slots=True)
class Places:
    """A page of clips by id, in the order of time, before anything is read of them."""

    ids: Sequence[int]
    next: str | None  # the text of the next page's cursor; none: this is the last page
    total: int


def cut_places(places: Sequence[Cursor], limit: int, total: int) -> Places:
    """There is a next page when there is one place more than the limit."""
    ids = [place.id for place in places[:limit]]
    return Places(ids, str(places[limit - 1]) if len(places) > limit else None, total)


def load_page(session: Session, places: Places) -> Page:
    """As `find_clips` gives it."""
    ids = places.ids
    related = (Clip.reel, Clip.camera, Clip.day, Clip.lens)
    rows = select(Clip).where(Clip.id.in_(ids)).options(*map(joinedload, related))
    clips = {clip.id: clip for clip in session.scalars(rows)}
    stills = select(Still.clip_id, func.count()).where(Still.clip_id.in_(ids)).group_by(Still.clip_id)
    return Page(
        clips=tuple(clips[key] for key in ids if key in clips),
        entries=read_entries(session, ids),
        still_counts=dict.fromkeys(ids, 0) | dict(session.execute(stills).all()),
        next=places.next,
        total=places.total,
    )
