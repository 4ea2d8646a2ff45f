"""Finding clips: a page of them, in the order of time or with the likeliest first."""

from __future__ import annotations

import datetime as dt
import enum
import re
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, joinedload, selectinload

from shared.catalogue.chunks import in_chunks
from shared.catalogue.conditions import build_conditions, plain_words
from shared.catalogue.ranges import Condition
from shared.catalogue.ranking import Place, rank_clips
from shared.errors import UsageError
from shared.models import Clip, LogEntry, Production, Still
from shared.query import Query, parse_query
from shared.vocabulary import Vocabulary

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_MICROSECOND = dt.timedelta(microseconds=1)
_CURSOR = re.compile(r"(?:(-1|[0-9]{1,3}):)?(none|-?[0-9]{1,18})\.([0-9]{1,18})")


class Order(enum.StrEnum):
    """TIME: as shot, clips of unknown time last. BEST: the likeliest first, see `ranking`."""

    TIME = "time"
    BEST = "best"


@dataclass(frozen=True, slots=True)
class Cursor:
    """The last clip of a page: its time, none when unknown, and its id; in the order BEST its points too."""

    shot_at: dt.datetime | None
    id: int
    points: int | None = None

    def __str__(self) -> str:
        time = "none" if self.shot_at is None else (self.shot_at - _EPOCH) // _MICROSECOND
        return f"{time}.{self.id}" if self.points is None else f"{self.points}:{time}.{self.id}"

    @classmethod
    def parse(cls, text: str) -> Cursor:
        """Raises UsageError for anything that is not the text of a cursor."""
        found = _CURSOR.fullmatch(text)
        try:
            if found is not None:
                time = None if found[2] == "none" else _EPOCH + int(found[2]) * _MICROSECOND
                return cls(time, int(found[3]), None if found[1] is None else int(found[1]))
        except OverflowError:
            pass
        raise UsageError("this is no place in a list of clips", remedy="Begin again without it.")


@dataclass(frozen=True, slots=True)
class Page:
    """Clips in the order asked for. `total` counts all that the query finds."""

    clips: tuple[Clip, ...]
    entries: dict[int, LogEntry]  # by clip id; clips nobody has logged have none
    still_counts: dict[int, int]  # by clip id, for every clip of the page
    next: str | None  # the text of the next page's cursor; none: this is the last page
    total: int


def find_clips(
    session: Session,
    production: Production,
    query: str | Query,
    vocabulary: Vocabulary,
    *,
    limit: int | None = None,
    after: Cursor | None = None,
    order: Order = Order.TIME,
) -> Page:
    """The clips a query finds, `limit` of them at most, after a cursor of the same order.

    Loaded with each clip: reel, camera, day, lens; with each entry: tags and people. The number of
    statements does not depend on the number of clips, save that ids are asked for in chunks.
    Raises QueryError for a query that can't be read or names what does not exist, UsageError for a
    limit below 1 or a cursor of the other order.
    """
    if limit is not None and limit < 1:
        raise UsageError(f"a page of {limit} clips", remedy="Ask for at least 1.")
    if after is not None and (after.points is None) is not (order is Order.TIME):
        raise UsageError("this is a place in a list of another order", remedy="Begin again without it.")
    parsed = parse_query(query) if isinstance(query, str) else query
    conditions = build_conditions(session, production, parsed, vocabulary)
    total = session.scalar(select(func.count()).select_from(Clip).where(*conditions)) or 0
    wanted = None if limit is None else limit + 1  # one more says whether there is a next page
    if order is Order.TIME:
        clips = _read_clips(session, conditions, wanted, after)
        cursors = [Cursor(clip.shot_at, clip.id) for clip in clips[:limit]]
    else:
        place = None if after is None else Place(after.points or 0, after.shot_at, after.id)
        ranked = rank_clips(
            session, production, conditions, plain_words(parsed), vocabulary, limit=wanted, after=place
        )
        clips = _load_clips(session, [one.id for one in ranked])
        cursors = [Cursor(one.shot_at, one.id, one.points) for one in ranked[:limit]]
    more = limit is not None and len(clips) > limit
    page = tuple(clips[:limit])
    ids = [clip.id for clip in page]
    return Page(
        clips=page,
        entries=read_entries(session, ids),
        still_counts=_count_stills(session, ids),
        next=str(cursors[-1]) if more else None,
        total=total,
    )


def find_clip_ids(
    session: Session, production: Production, query: str | Query, vocabulary: Vocabulary
) -> list[int]:
    """The ids of all clips a query finds, in order of id. Raises QueryError as `find_clips`."""
    conditions = build_conditions(session, production, query, vocabulary)
    return list(session.scalars(select(Clip.id).where(*conditions).order_by(Clip.id)))


def _whole() -> Select[Clip]:
    return select(Clip).options(
        joinedload(Clip.reel), joinedload(Clip.camera), joinedload(Clip.day), joinedload(Clip.lens)
    )


def _load_clips(session: Session, ids: Sequence[int]) -> list[Clip]:
    """The clips of these ids, in this order."""
    found: dict[int, Clip] = {}
    for chunk in in_chunks(ids):
        found.update((clip.id, clip) for clip in session.scalars(_whole().where(Clip.id.in_(chunk))))
    return [found[key] for key in ids]


def _read_clips(
    session: Session, conditions: Sequence[Condition], limit: int | None, after: Cursor | None
) -> list[Clip]:
    """Two steps along one index: clips with a time, then those without."""
    clips: list[Clip] = []
    whole = _whole().where(*conditions)
    if after is None or after.shot_at is not None:
        dated = whole.where(Clip.shot_at.is_not(None))
        if after is not None:
            beyond = (Clip.shot_at > after.shot_at) | (Clip.id > after.id)
            dated = dated.where(Clip.shot_at >= after.shot_at, beyond)
        clips.extend(session.scalars(dated.order_by(Clip.shot_at, Clip.id).limit(limit)))
    if limit is None or len(clips) < limit:
        undated = whole.where(Clip.shot_at.is_(None))
        if after is not None and after.shot_at is None:
            undated = undated.where(Clip.id > after.id)
        rest = None if limit is None else limit - len(clips)
        clips.extend(session.scalars(undated.order_by(Clip.id).limit(rest)))
    return clips


def read_entries(session: Session, clip_ids: Sequence[int]) -> dict[int, LogEntry]:
    """The log entries of these clips, by clip id, with their tags and people."""
    found: dict[int, LogEntry] = {}
    for chunk in in_chunks(clip_ids):
        entries = select(LogEntry).where(LogEntry.clip_id.in_(chunk))
        loaded = entries.options(selectinload(LogEntry.tags), selectinload(LogEntry.people))
        found.update((entry.clip_id, entry) for entry in session.scalars(loaded) if entry.clip_id is not None)
    return found


def _count_stills(session: Session, clip_ids: Sequence[int]) -> dict[int, int]:
    counts = dict.fromkeys(clip_ids, 0)
    for chunk in in_chunks(clip_ids):
        rows = select(Still.clip_id, func.count()).where(Still.clip_id.in_(chunk)).group_by(Still.clip_id)
        counts.update(dict(session.execute(rows).all()))
    return counts
