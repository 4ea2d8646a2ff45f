"""`new`, `day`, `camera`, `lens`: what a production is made of."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

import typer
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.cli.app import print_json, root_of
from api.cli.options import AsJson, Production
from ingest.recheck import recheck
from shared import models
from shared.catalogue.beside_edits import edit_day
from shared.catalogue.lenses import set_lens, set_usual_lens
from shared.catalogue.lookup import list_known, pick_one
from shared.catalogue.productions import make_production, set_camera
from shared.catalogue.times import rederive_times
from shared.db import reading, writing
from shared.errors import UsageError
from shared.models import Camera, CameraKind, Clip, Lens, ZoneRule
from shared.timecode import Rate


def register(app: typer.Typer) -> None:
    app.command("new")(new)
    app.command("day")(day)
    app.command("camera")(camera)
    app.command("lens")(lens)


def _hour(text: str) -> dt.time:
    try:
        return dt.datetime.strptime(text, "%H:%M").time()
    except ValueError:
        raise UsageError(f"{text!r} is no time of day", remedy="Write it as 04:00.") from None


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is no date", remedy="Write it as 2026-05-12.") from None


def new(
    context: typer.Context,
    name: Annotated[str, typer.Argument(help="Name of the production.")],
    rate: Annotated[str, typer.Option(help="Edit frame rate: 25, 23.976, 30000/1001 …")] = "25",
    zone: Annotated[str, typer.Option(help="Time zone of the shoot, such as Europe/Copenhagen.")] = "UTC",
    day_starts: Annotated[
        str, typer.Option(help="Hour before which a clip belongs to the day before.")
    ] = "04:00",
    drop_frame: Annotated[
        bool, typer.Option("--drop-frame", help="Count drop-frame (29.97 and 59.94).")
    ] = False,
    language: Annotated[str, typer.Option(help="Language of the log, such as en or da.")] = "en",
) -> None:
    """Make a production. It is the default for the other commands from now on."""
    root = root_of(context)
    with writing(root.sessions) as session:
        made = make_production(
            session,
            name,
            rate=Rate.parse(rate),
            zone=zone,
            day_starts=_hour(day_starts),
            drop_frame=drop_frame,
            language=language,
        )
        counting = ", drop-frame" if made.drop_frame else ""
        root.out.print(
            f"{made.name}: {made.rate.label} frames a second{counting}, zone {made.zone}, "
            f"a day starts at {day_starts}",
            markup=False,
        )


def day(
    context: typer.Context,
    number: Annotated[
        int | None, typer.Argument(help="Number of the day; without it all are listed.")
    ] = None,
    date: Annotated[str | None, typer.Option(help="Date, such as 2026-05-12.")] = None,
    goal: Annotated[str | None, typer.Option(help="What this day is for.")] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List the shooting days, or set a day's date and goal."""
    root = root_of(context)
    if number is not None:
        with writing(root.sessions) as session:
            edit_day(
                session,
                root.production(session, production),
                root.author,
                number=number,
                date=_date(date) if date is not None else None,
                goal=goal,
            )
    with reading(root.sessions) as session:
        found = root.production(session, production)
        per_day = select(Clip.day_id, func.count()).where(Clip.production_id == found.id)
        counts = dict(session.execute(per_day.group_by(Clip.day_id)).all())
        days = [
            {"number": d.number, "date": d.date.isoformat(), "goal": d.goal, "clips": counts.get(d.id, 0)}
            for d in found.days
        ]
    if as_json:
        print_json(days)
        return
    for one in days:
        root.out.print(
            f"day {one['number']}  {one['date']}  {one['clips']:>4} clips  {one['goal']}", markup=False
        )
    if not days:
        root.out.print("no shooting day yet; an offload makes them from the footage")


def camera(
    context: typer.Context,
    letter: Annotated[str | None, typer.Argument(help="Letter; without it all are listed.")] = None,
    name: Annotated[str | None, typer.Option(help="What you call this body.")] = None,
    kind: Annotated[CameraKind | None, typer.Option(help="Kind of body.")] = None,
    clock: Annotated[ZoneRule | None, typer.Option(help="What its clock is set to.")] = None,
    lens: Annotated[
        str | None, typer.Option(help="The lens it usually wears; none: no lens is assumed any more.")
    ] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List the cameras and recorders, or add and change one."""
    root = root_of(context)
    if letter is not None:
        with writing(root.sessions) as session:
            made_for = root.production(session, production)
            changed = set_camera(session, made_for, letter, name=name, kind=kind, zone_rule=clock)
            if clock is not None:  # another rule is another time for every clip of this camera
                rederive_times(session, made_for, changed)
                recheck(session, made_for)
            if lens is not None:
                set_usual_lens(session, changed, _known_lens(session, made_for, lens))
    with reading(root.sessions) as session:
        found = root.production(session, production)
        cameras = [
            {
                "letter": c.letter,
                "name": c.name,
                "kind": c.kind.value,
                "clock": c.zone_rule.value,
                "lens": c.default_lens.name if c.default_lens is not None else None,
            }
            for c in session.scalars(select(Camera).filter_by(production_id=found.id).order_by(Camera.letter))
        ]
    if as_json:
        print_json(cameras)
        return
    for one in cameras:
        root.out.print(
            f"{one['letter']:<4} {one['kind']:<9} clock {one['clock']:<8} {one['name']}"
            + (f"  usual lens {one['lens']}" if one["lens"] else ""),
            markup=False,
        )


def _known_lens(session: Session, made_for: models.Production, name: str) -> Lens | None:
    """A lens of the kit list; "none" is none. Raises UsageError for one that is not there, or for several."""
    if name.strip().lower() == "none":
        return None
    found = pick_one(list_known(session, made_for, "lens"), "lens", name)
    return session.get_one(Lens, found.id)


def lens(
    context: typer.Context,
    name: Annotated[str | None, typer.Argument(help="Name; without it all are listed.")] = None,
    focal: Annotated[str | None, typer.Option(help="Focal length in mm: 35 or 24-70.")] = None,
    aperture: Annotated[str | None, typer.Option(help="Widest aperture, as engraved: f/1.8.")] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List the lenses, or add and change one."""
    root = root_of(context)
    if name is not None:
        with writing(root.sessions) as session:
            set_lens(session, root.production(session, production), name, focal=focal, aperture=aperture)
    with reading(root.sessions) as session:
        found = root.production(session, production)
        lenses = [
            {
                "name": one.name,
                "focal_min_mm": one.focal_min_mm,
                "focal_max_mm": one.focal_max_mm,
                "max_aperture": one.max_aperture,
            }
            for one in session.scalars(select(Lens).filter_by(production_id=found.id).order_by(Lens.name))
        ]
    if as_json:
        print_json(lenses)
        return
    for one in lenses:
        root.out.print(
            f"{one['name']}  {one['focal_min_mm'] or '?'}–{one['focal_max_mm'] or '?'} mm  "
            f"{one['max_aperture']}",
            markup=False,
        )
