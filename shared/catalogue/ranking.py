"""Clips with the likeliest first: what was said counts more than a name, good takes and recent days come up.

Points are whole numbers from columns alone, so both databases put the same clips in the same order. They are
common practice, no source:

    4       a person said all the words that were looked for, of the clip or of a moment in it
    0 … 4   the rating: a step each from the lowest; a clip nobody has rated counts as the second lowest
    0 … 4   the shooting day: 4 the last one with clips, 3 the last three, 2 the last ten, 1 the last forty

Among equals the latest comes first.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, and_, case, literal, or_, select
from sqlalchemy.orm import Session

from shared.catalogue.ranges import Condition
from shared.catalogue.word_search import were_said
from shared.models import Clip, LogEntry, Production, ShootingDay
from shared.query import Words
from shared.vocabulary import Vocabulary

MOST_RANKED = 5000  # the latest of the clips found; those before them follow, the latest first
BEFORE_RANKED = -1  # the "points" of those
_SAID_POINTS = 4
_UNRATED_POINTS = 1
_RECENT = ((1, 4), (3, 3), (10, 2), (40, 1))  # last days, points

_LATEST = (Clip.shot_at.desc().nulls_last(), Clip.id.desc())


@dataclass(frozen=True, slots=True)
class Place:
    """One clip in the order of points. `points` is BEFORE_RANKED for a clip too old to have any."""

    points: int
    shot_at: dt.datetime | None
    id: int


def rank_clips(
    session: Session,
    production: Production,
    conditions: Sequence[Condition],
    words: Sequence[Words],
    vocabulary: Vocabulary,
    *,
    limit: int | None,
    after: Place | None,
    most: int | None = None,
) -> list[Place]:
    """The clips that conditions on Clip hold for, best first, after a place; `limit` of them at most."""
    most = MOST_RANKED if most is None else most
    found: list[Place] = []
    if after is None or after.points != BEFORE_RANKED:
        latest = select(Clip.id).where(*conditions).order_by(*_LATEST).limit(most).subquery()
        points = _points(session, production, words, vocabulary)
        rows = (
            select(points, Clip.shot_at, Clip.id)
            .join(latest, latest.c.id == Clip.id)
            .outerjoin(LogEntry, LogEntry.clip_id == Clip.id)
            .order_by(points.desc(), *_LATEST)
            .limit(limit)
        )
        if after is not None:
            rows = rows.where(or_(points < after.points, and_(points == after.points, _comes_after(after))))
        found.extend(Place(*row) for row in session.execute(rows))
        after = None
    if limit is None or len(found) < limit:
        rest = None if limit is None else limit - len(found)
        found.extend(_before_ranked(session, conditions, rest, after, most))
    return found


def _before_ranked(
    session: Session, conditions: Sequence[Condition], limit: int | None, after: Place | None, most: int
) -> list[Place]:
    """What comes after the ranked ones, from the first of them or after a place."""
    rows = select(Clip.shot_at, Clip.id).where(*conditions).order_by(*_LATEST)
    if after is None:
        last_ranked = session.execute(rows.offset(most - 1).limit(1)).first()
        if last_ranked is None:
            return []
        after = Place(BEFORE_RANKED, *last_ranked)
    rest = session.execute(rows.where(_comes_after(after)).limit(limit))
    return [Place(BEFORE_RANKED, *row) for row in rest]


def _comes_after(place: Place) -> Condition:
    """Later in the order from the latest; clips without a time come last."""
    if place.shot_at is None:
        return and_(Clip.shot_at.is_(None), Clip.id < place.id)
    same_time = and_(Clip.shot_at == place.shot_at, Clip.id < place.id)
    return or_(Clip.shot_at < place.shot_at, same_time, Clip.shot_at.is_(None))


def _points(
    session: Session, production: Production, words: Sequence[Words], vocabulary: Vocabulary
) -> ColumnElement[int]:
    points = _rating_points(vocabulary) + _day_points(session, production)
    if not words:
        return points
    said = were_said(session, words, production.language)
    return points + case((said, _SAID_POINTS), else_=0)


def _rating_points(vocabulary: Vocabulary) -> ColumnElement[int]:
    ratings = sorted(vocabulary.terms("rating"), key=lambda term: term.rank or 0)
    steps = {term.code: min(step, 4) for step, term in enumerate(ratings)}
    return case(steps, value=LogEntry.rating, else_=_UNRATED_POINTS)


def _day_points(session: Session, production: Production) -> ColumnElement[int]:
    """Days that are only planned have no clips and do not count."""
    shot = select(Clip.id).where(Clip.day_id == ShootingDay.id).correlate(ShootingDay).exists()
    days = select(ShootingDay.id).where(ShootingDay.production_id == production.id, shot)
    last = list(session.scalars(days.order_by(ShootingDay.date.desc()).limit(_RECENT[-1][0])))
    if not last:
        return literal(0)
    return case(*((Clip.day_id.in_(last[:number]), points) for number, points in _RECENT), else_=0)
