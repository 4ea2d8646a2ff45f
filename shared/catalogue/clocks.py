"""The clocks of a production's cameras: their rules and corrections, and which of them a clip is read by."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.productions import shooting_date
from shared.errors import UsageError
from shared.models import Camera, Clip, ClockCorrection, Production, ShootingDay, now
from shared.when import Clock, Moment, Stamped, read_time

LONGEST = dt.timedelta(days=50 * 366)  # clocks begin in 1970 or 1980; nothing is further off than this


@dataclass(frozen=True, slots=True)
class DayCorrection:
    """How far off a camera was on one shooting day (true minus shown)."""

    day_id: int
    date: dt.date
    correction: dt.timedelta


@dataclass(frozen=True, slots=True)
class CameraClock:
    """A camera's clock: how it is read on every day, and on days that have a correction of their own.

    `taken` are dates on which somebody else shot, or that were planned: a date that is no accident.
    """

    clock: Clock
    days: tuple[DayCorrection, ...] = ()
    taken: frozenset[dt.date] = frozenset()


@dataclass(frozen=True, slots=True)
class Clocks:
    """All clocks of a production, by camera. A clip of no camera is read by the production's zone alone."""

    production: Production
    by_camera: Mapping[int | None, CameraClock]

    def read(self, clip: Clip, reel_day: int | None, facts: Stamped | None, mtime_ns: int) -> Moment:
        """When the clip was shot. `reel_day`: id of the day its reel was offloaded for."""
        camera = self.by_camera.get(clip.camera_id) or self.by_camera[None]
        by_hand = clip.day_id if clip.day_by_hand else None
        return read_by(camera, self.production, facts, mtime_ns, by_hand=by_hand, reel_day=reel_day)


def read_by(
    camera: CameraClock,
    production: Production,
    facts: Stamped | None,
    mtime_ns: int,
    *,
    by_hand: int | None = None,
    reel_day: int | None = None,
) -> Moment:
    """When a recording began, by the correction of its day, else by that of every day.

    A day's correction counts for what a person put on that day, and for what falls on that day when read by
    it. Where the latter is so for several, or for a clip that falls on a day of the shoot without it, the
    day of its reel decides, then the day it falls on without.
    """
    plain = read_time(facts, mtime_ns, camera.clock)
    if by_hand is not None:
        chosen = [one for one in camera.days if one.day_id == by_hand]
        return _read_on(camera, chosen[0], facts, mtime_ns) if chosen else plain
    fitting = [
        (one, moment)
        for one in camera.days
        if (moment := _read_on(camera, one, facts, mtime_ns)).at is not None
        and shooting_date(production, moment.at) == one.date
    ]
    date = None if plain.at is None else shooting_date(production, plain.at)
    for one, moment in sorted(fitting, key=lambda pair: (pair[0].day_id != reel_day, pair[0].date != date)):
        if one.day_id == reel_day or one.date == date or date not in camera.taken:
            return moment
    return plain


def _read_on(camera: CameraClock, day: DayCorrection, facts: Stamped | None, mtime_ns: int) -> Moment:
    clock = camera.clock
    return read_time(facts, mtime_ns, Clock(clock.zone, clock.rule, day.correction))


def read_clocks(session: Session, production: Production) -> Clocks:
    """The clocks as the catalogue has them now."""
    zone = zoneinfo.ZoneInfo(production.zone)
    of_days: dict[int, list[DayCorrection]] = defaultdict(list)
    rows = select(ClockCorrection, ShootingDay.date).join(
        ShootingDay, ShootingDay.id == ClockCorrection.day_id
    )
    for row, date in session.execute(rows.where(ClockCorrection.production_id == production.id)):
        assert row.day_id is not None, "joined by it"
        of_days[row.camera_id].append(DayCorrection(row.day_id, date, _span(row.correction_ms)))
    shot = _shot_dates(session, production) if of_days else {}
    planned = {day.date for day in production.days if day.goal}
    by_camera: dict[int | None, CameraClock] = {None: CameraClock(Clock(zone))}
    for camera in session.scalars(select(Camera).filter_by(production_id=production.id)):
        days = tuple(sorted(of_days[camera.id], key=lambda one: one.date))
        others = {date for key, dates in shot.items() if key != camera.id for date in dates}
        clock = Clock(zone, camera.zone_rule, _span(camera.clock_correction_ms))
        by_camera[camera.id] = CameraClock(clock, days, frozenset(planned | others) if days else frozenset())
    return Clocks(production, by_camera)


def _span(milliseconds: int) -> dt.timedelta:
    return dt.timedelta(milliseconds=milliseconds)


def _shot_dates(session: Session, production: Production) -> dict[int | None, set[dt.date]]:
    """The dates of the days that each camera has clips on."""
    found: dict[int | None, set[dt.date]] = defaultdict(set)
    rows = (
        select(Clip.camera_id, ShootingDay.date)
        .join(ShootingDay, ShootingDay.id == Clip.day_id)
        .where(Clip.production_id == production.id)
        .distinct()
    )
    for camera_id, date in session.execute(rows):
        found[camera_id].add(date)
    return found


def set_correction(
    session: Session,
    production: Production,
    camera: Camera,
    correction: dt.timedelta,
    *,
    shown: str,
    true: str,
    day: ShootingDay | None = None,
) -> ClockCorrection:
    """Write down how far off a camera is, in place of what was said before for the same day.

    `correction` is true minus shown. Clips keep their times until `times.rederive_times` reads them anew.
    Raises UsageError for one so long that a date must be mistyped.
    """
    if abs(correction) > LONGEST:
        raise UsageError(
            f"camera {camera.letter} would be {abs(correction).days // 365} years off",
            remedy="Check the year: --shown is what the camera shows, --true what a right clock shows.",
        )
    day_id = None if day is None else day.id
    row = session.scalar(
        select(ClockCorrection).where(
            ClockCorrection.camera_id == camera.id, ClockCorrection.day_id.is_not_distinct_from(day_id)
        )
    )
    if row is None:
        row = ClockCorrection(production_id=production.id, camera_id=camera.id, day_id=day_id)
        session.add(row)
    row.shown, row.true_time, row.created_at = shown, true, now()
    row.correction_ms = correction // dt.timedelta(milliseconds=1)
    if day is None:
        camera.clock_correction_ms = row.correction_ms
    session.flush()
    return row


def list_corrections(session: Session, production: Production) -> list[ClockCorrection]:
    """What was written down, by camera, the correction of every day before those of single days."""
    rows = (
        select(ClockCorrection)
        .join(Camera, Camera.id == ClockCorrection.camera_id)
        .outerjoin(ShootingDay, ShootingDay.id == ClockCorrection.day_id)
        .where(ClockCorrection.production_id == production.id)
        .order_by(Camera.letter, ClockCorrection.day_id.is_not(None), ShootingDay.number)
    )
    return list(session.scalars(rows))
