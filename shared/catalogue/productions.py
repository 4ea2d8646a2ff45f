"""Productions and their days."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import unicodedata
import zoneinfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import Camera, CameraKind, Production, ShootingDay, ZoneRule
from shared.names import unportable
from shared.timecode import Rate


def slug_of(name: str) -> str:
    """A folder name for any drive: ASCII letters, digits and hyphens, at most 60 characters."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    slug = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:60].strip("-") or "production"
    return slug if unportable(slug.encode()) is None else f"{slug}-production"


def make_production(
    session: Session,
    name: str,
    *,
    rate: Rate,
    zone: str,
    day_starts: dt.time,
    drop_frame: bool = False,
    language: str = "en",
) -> Production:
    """Add a production. Raises ConflictError if the name is taken, UsageError for a zone or rate unknown."""
    name = name.strip()
    if not name:
        raise UsageError("a production needs a name", remedy="rushlight new NAME")
    if session.scalar(select(Production).where(Production.name == name)) is not None:
        raise ConflictError(
            f"there is a production named {name} already", remedy="Choose another name, or use --production."
        )
    try:
        zoneinfo.ZoneInfo(zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        near = difflib.get_close_matches(zone, zoneinfo.available_timezones(), 3)
        raise UsageError(
            f"no such time zone: {zone}",
            remedy=f"Did you mean {', '.join(near)}?" if near else "Use a name such as Europe/Copenhagen.",
        ) from error
    if drop_frame and not rate.can_drop:
        raise UsageError(f"{rate.label} has no drop-frame counting", remedy="Only 29.97 and 59.94 have it.")
    taken = set(session.scalars(select(Production.slug)))
    slug = base = slug_of(name)
    number = 2
    while slug in taken:
        slug, number = f"{base}-{number}", number + 1
    production = Production(
        name=name,
        slug=slug,
        rate_num=rate.num,
        rate_den=rate.den,
        drop_frame=drop_frame,
        zone=zone,
        day_starts_minutes=day_starts.hour * 60 + day_starts.minute,
        language=language,
    )
    session.add(production)
    session.flush()
    return production


def find_production(session: Session, name: str | None) -> Production:
    """The production of that name, else folder name, else id; without a name the latest.

    Raises NotFoundError that lists the productions there are.
    """
    if name is None:
        found = session.scalar(select(Production).order_by(Production.id.desc()).limit(1))
        if found is None:
            raise NotFoundError("there is no production yet", remedy='Make one: rushlight new "My film"')
        return found
    there = list(session.scalars(select(Production).order_by(Production.id)))
    for keys in ([one.name for one in there], [one.slug for one in there], [str(one.id) for one in there]):
        if name in keys:
            return there[keys.index(name)]
    names = [one.name for one in there]
    raise NotFoundError(
        f"no production named {name}",
        remedy=f"There is: {', '.join(names)}." if names else "rushlight new NAME",
    )


def shooting_date(production: Production, at: dt.datetime) -> dt.date:
    """The shooting day's date: after midnight and before the day hour it is still the day before."""
    local = at.astimezone(zoneinfo.ZoneInfo(production.zone))
    # Wall-clock arithmetic on purpose: "before four in the morning" is what the clock on the wall says.
    return (local.replace(tzinfo=None) - dt.timedelta(minutes=production.day_starts_minutes)).date()


def set_day(
    session: Session,
    production: Production,
    *,
    number: int | None = None,
    date: dt.date | None = None,
    goal: str | None = None,
) -> ShootingDay:
    """Make or change a shooting day, found by its number, else its date. Raises ConflictError, UsageError."""
    day = None
    if number is not None:
        if number < 1:
            raise UsageError(f"day {number}: shooting days count from 1", remedy="Use 1, 2, 3 …")
        day = session.scalar(select(ShootingDay).filter_by(production_id=production.id, number=number))
    elif date is not None:
        day = session.scalar(select(ShootingDay).filter_by(production_id=production.id, date=date))
    if day is None and date is None:
        raise UsageError(
            "a shooting day needs a date" if number is None else f"day {number} needs a date",
            remedy=f"rushlight day {number or 1} --date 2026-05-12 --goal …",
        )
    if date is not None:
        twin = session.scalar(select(ShootingDay).filter_by(production_id=production.id, date=date))
        if twin is not None and twin is not day:
            raise ConflictError(f"{date} is day {twin.number} already", remedy="One date, one shooting day.")
    if day is None:
        day = ShootingDay(
            production_id=production.id, number=number or _next_number(session, production), goal=""
        )
        session.add(day)
    if date is not None:
        day.date = date
    if goal is not None:
        day.goal = goal
    session.flush()
    return day


def _next_number(session: Session, production: Production) -> int:
    highest = session.scalar(
        select(func.max(ShootingDay.number)).where(ShootingDay.production_id == production.id)
    )
    return (highest or 0) + 1


def find_day(session: Session, production: Production, number: int) -> ShootingDay:
    """Raises NotFoundError that lists the days there are."""
    day = session.scalar(select(ShootingDay).filter_by(production_id=production.id, number=number))
    if day is None:
        days = session.scalars(
            select(ShootingDay).filter_by(production_id=production.id).order_by(ShootingDay.number)
        )
        there = ", ".join(f"{d.number} ({d.date})" for d in days)
        raise NotFoundError(
            f"no shooting day {number}",
            remedy=(f"There is: {there}. " if there else "")
            + f"Make it: rushlight day {number} --date 2026-05-12 --goal …",
        )
    return day


def find_camera(session: Session, production: Production, letter: str) -> Camera | None:
    return session.scalar(select(Camera).filter_by(production_id=production.id, letter=letter.upper()))


def set_camera(
    session: Session,
    production: Production,
    letter: str,
    *,
    name: str | None = None,
    kind: CameraKind | None = None,
    zone_rule: ZoneRule | None = None,
) -> Camera:
    """Make or change a camera of the kit list. Raises UsageError for a letter that can't name reels."""
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9]{0,3}", letter):
        raise UsageError(
            f"{letter!r} can't be a camera's letter",
            remedy="Use A, B, C … (a letter, up to four characters).",
        )
    camera = find_camera(session, production, letter)
    if camera is None:
        camera = Camera(production_id=production.id, letter=letter.upper())
        session.add(camera)
    if name is not None:
        camera.name = name
    if kind is not None:
        camera.kind = kind
    if zone_rule is not None:
        camera.zone_rule = zone_rule
    session.flush()
    return camera
