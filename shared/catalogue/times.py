"""Reading the times of clips anew, from the stamps in the catalogue: no file is touched.

Needed whenever a camera's rule or correction changes, or a person takes a day back that was set by hand.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import delete, exists, select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.chunks import in_chunks
from shared.catalogue.clocks import Clocks, read_clocks
from shared.catalogue.productions import set_day, shooting_date
from shared.catalogue.terms import production_vocabulary
from shared.catalogue.text import refresh_text
from shared.models import Base, Camera, Clip, ClipFile, File, Production, ShootingDay, TakeFacts
from shared.when import Moment, Stamped

_CHUNK = 1000  # clips in memory at one time


@dataclass(frozen=True, slots=True)
class Rederived:
    """Clips that were read, those whose time is another now, and those that changed their day."""

    read: int
    changed: tuple[int, ...]
    moved: tuple[int, ...]


def rederive_times(session: Session, production: Production, camera: Camera | None = None) -> Rederived:
    """Read the times and days of a camera's clips anew, or of all. A day set by hand stays.

    A shooting day without a goal that only a wrong clock had made is taken away again.
    """
    wanted = select(Clip.id).where(Clip.production_id == production.id)
    if camera is not None:
        wanted = wanted.where(Clip.camera_id == camera.id)
    ids = list(session.scalars(wanted.order_by(Clip.id)))
    found = derive_times(session, production, ids)
    refresh_text(session, found.moved, production_vocabulary(session, production))
    return found


def derive_times(session: Session, production: Production, clip_ids: Iterable[int]) -> Rederived:
    """As `rederive_times`, for these clips, and without writing anew the words they are found by."""
    clocks = read_clocks(session, production)
    days = Days(session, production)
    read, changed, moved = 0, [], []
    left: set[int] = set()
    for chunk in in_chunks(clip_ids, _CHUNK):
        stamps = _stamps(session, chunk)
        clips = _clips(session, chunk)
        read += len(clips)
        for clip in clips:
            before, day = (clip.shot_at, clip.shot_source, clip.shot_certainty), clip.day_id
            facts, mtime_ns = stamps.get(clip.id, (None, 0))
            place(clip, clip.reel.day_id, clocks, days, facts, mtime_ns)
            if before != (clip.shot_at, clip.shot_source, clip.shot_certainty):
                changed.append(clip.id)
            if clip.day_id != day:
                moved.append(clip.id)
                left |= {day} if day is not None else set()
        session.flush()
        for clip in clips:
            session.expire(clip, ["day"])  # what was read by the old day
    _drop_empty_days(session, left)
    return Rederived(read, tuple(changed), tuple(moved))


def derive_days(session: Session, production: Production, clip_ids: Iterable[int]) -> None:
    """Put clips on the day that their time says, as the catalogue has it; their times stay."""
    days = Days(session, production)
    for chunk in in_chunks(clip_ids, _CHUNK):
        clips = _clips(session, chunk)
        for clip in clips:
            days.put(clip, clip.reel.day_id)
        session.flush()
        for clip in clips:
            session.expire(clip, ["day"])


def place(
    clip: Clip,
    reel_day: int | None,
    clocks: Clocks,
    days: Days,
    facts: Stamped | None,
    mtime_ns: int,
) -> None:
    """Give a clip its time, by its first file's facts and time, and its day unless that was set by hand."""
    _set_time(clip, clocks.read(clip, reel_day, facts, mtime_ns))
    if not clip.day_by_hand:
        days.put(clip, reel_day)


def _set_time(clip: Clip, found: Moment) -> None:
    clip.shot_at, clip.shot_source, clip.shot_certainty = found.at, found.source, found.certainty
    clip.shot_read_as = found.read_as
    clip.shot_correction_ms = found.correction // dt.timedelta(milliseconds=1)


class Days:
    """Puts clips on shooting days, which are made where there is none; each date is looked up once."""

    def __init__(self, session: Session, production: Production) -> None:
        self._session = session
        self._production = production
        self._ids: dict[dt.date, int] = {}

    def put(self, clip: Clip, reel_day: int | None) -> None:
        """The day of the clip's time; of a clip without one, that of its reel."""
        clip.day_id = reel_day if clip.shot_at is None else self._id(clip.shot_at)

    def _id(self, at: dt.datetime) -> int:
        date = shooting_date(self._production, at)
        if date not in self._ids:
            self._ids[date] = set_day(self._session, self._production, date=date).id
        return self._ids[date]


def _clips(session: Session, clip_ids: Sequence[int]) -> list[Clip]:
    statement = select(Clip).where(Clip.id.in_(clip_ids)).options(joinedload(Clip.reel)).order_by(Clip.id)
    return list(session.scalars(statement))


def _stamps(session: Session, clip_ids: Sequence[int]) -> dict[int, tuple[TakeFacts | None, int]]:
    """The facts and the file time of each clip's first file."""
    rows = (
        select(ClipFile.clip_id, File.mtime_ns, TakeFacts)
        .join(File, File.id == ClipFile.file_id)
        .outerjoin(TakeFacts, TakeFacts.file_id == File.id)
        .where(ClipFile.clip_id.in_(clip_ids))
        .order_by(ClipFile.clip_id, ClipFile.ordinal.desc(), ClipFile.id.desc())
    )
    return {clip_id: (facts, mtime_ns) for clip_id, mtime_ns, facts in session.execute(rows)}


def _drop_empty_days(session: Session, day_ids: set[int]) -> None:
    """Take away those of these days that have no goal and that nothing points at any more."""
    pointing = [
        column
        for table in Base.metadata.sorted_tables
        for column in table.columns
        if any(key.column is ShootingDay.__table__.c.id for key in column.foreign_keys)
    ]
    for day_id in sorted(day_ids):
        day = session.get_one(ShootingDay, day_id)
        used = any(session.scalar(select(exists().where(column == day_id))) for column in pointing)
        if not day.goal and not used:
            session.execute(delete(ShootingDay).where(ShootingDay.id == day_id))
            session.expire(day.production, ["days"])
