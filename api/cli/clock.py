"""`clock` and `sheet`: set clocks right after the fact, and say what every clip should be."""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from typing import Annotated, Any

import typer
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.cli.app import Root, print_json, print_table, root_of
from api.cli.options import AsJson, Production
from ingest.clockcheck import CODES as CLOCK_CODES
from ingest.deviations import CODES as SHEET_CODES
from ingest.recheck import recheck
from shared import models
from shared.catalogue.clocks import list_corrections, set_correction
from shared.catalogue.naming import find_one_clip
from shared.catalogue.productions import find_camera, find_day
from shared.catalogue.times import rederive_times
from shared.clock_words import correction_of, nearest, read_face, tell_span
from shared.db import reading, writing
from shared.errors import NotFoundError, UsageError

_EXAMPLE = "rushlight clock A --shown 14:03:10 --true 13:03:07"
_SIZE = re.compile(r"([1-9][0-9]{1,4})\s*[x×X*]\s*([1-9][0-9]{1,4})")
_NOTHING = "none"


def register(app: typer.Typer) -> None:
    app.command("clock")(clock)
    app.command("sheet")(sheet)


def clock(
    context: typer.Context,
    camera: Annotated[
        str | None, typer.Argument(help="Camera; without one all corrections are listed.")
    ] = None,
    shown: Annotated[
        str | None, typer.Option(help="What the camera's clock shows: 14:03:10, with a date or Z if need be.")
    ] = None,
    true: Annotated[str | None, typer.Option(help="What a right clock shows at that moment.")] = None,
    clip: Annotated[
        str | None, typer.Option(help="A clip that films a clock as it begins, in place of --shown.")
    ] = None,
    day: Annotated[
        int | None, typer.Option(min=1, help="For this shooting day alone; it wins over that of every day.")
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Judge the clocks of the whole production, and list the findings.")
    ] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Say how far off a camera's clock was. Times and days are read anew; no file is touched."""
    root = root_of(context)
    sets = shown is not None or true is not None or clip is not None
    if sets and check:
        raise UsageError("--check judges, it sets nothing", remedy="Leave out --check; all is judged anyway.")
    if sets:
        _check_words(camera, shown, true, clip)
        said = _set(root, camera, shown, true or "", clip, day, production)
        if as_json:
            print_json(said)
        else:
            _say_set(root, said)
    elif check:
        _check(root, camera, production, as_json)
    else:
        if day is not None:
            raise UsageError("--day alone says nothing", remedy=f"{_EXAMPLE} --day {day}")
        _list(root, camera, production, as_json)


def _check_words(camera: str | None, shown: str | None, true: str | None, clip: str | None) -> None:
    if true is None:
        raise UsageError("what did a right clock show? --true is missing", remedy=_EXAMPLE)
    if (shown is None) == (clip is None):
        raise UsageError(
            "say what the camera showed: either --shown, or --clip with a clip that films a clock",
            remedy=f"{_EXAMPLE}, or: rushlight clock --clip A001/C0001 --true 13:03:07",
        )
    if camera is None and clip is None:
        raise UsageError("which camera's clock?", remedy=_EXAMPLE)


def _set(
    root: Root,
    letter: str | None,
    shown: str | None,
    true: str,
    clip_name: str | None,
    number: int | None,
    production_name: str | None,
) -> dict[str, Any]:
    with writing(root.sessions) as session:
        production = root.production(session, production_name)
        day = None if number is None else find_day(session, production, number)
        if clip_name is not None:
            camera, shown, correction = _by_clip(session, production, letter, clip_name, true)
        else:
            assert letter is not None and shown is not None, "checked before"
            camera = _camera(session, production, letter)
            date = day.date if day is not None else next((one.date for one in production.days), None)
            correction = correction_of(
                read_face(shown, "--shown"),
                read_face(true, "--true"),
                zoneinfo.ZoneInfo(production.zone),
                camera.zone_rule,
                date,
            )
        set_correction(session, production, camera, correction, shown=shown, true=true, day=day)
        session.flush()
        found = rederive_times(session, production, camera)
        review = recheck(session, production)
        return {
            "camera": camera.letter,
            "day": number,
            "correction_ms": correction // dt.timedelta(milliseconds=1),
            "read": found.read,
            "changed": len(found.changed),
            "moved": len(found.moved),
            "findings_added": review.added,
            "findings_removed": review.removed,
        }


def _by_clip(
    session: Session, production: models.Production, letter: str | None, name: str, true: str
) -> tuple[models.Camera, str, dt.timedelta]:
    """The camera of a clip that films a clock, what its stamp says, and how far off that is."""
    clip = find_one_clip(session, production, name)
    camera = clip.camera
    if camera is None:
        raise UsageError(f"{clip.name} is of no camera", remedy=f"Say which: rushlight log '{name}' camera=A")
    if letter is not None and camera is not _camera(session, production, letter):
        raise UsageError(
            f"{clip.name} is of camera {camera.letter}, not {letter}",
            remedy=f"rushlight clock {camera.letter} --clip …",
        )
    if clip.shot_at is None:
        raise UsageError(
            f"{clip.name} says nothing of when it was shot",
            remedy="Use another clip, or --shown with what the camera's display showed.",
        )
    zone = zoneinfo.ZoneInfo(production.zone)
    stamp = clip.shot_at - dt.timedelta(milliseconds=clip.shot_correction_ms)
    face = read_face(true, "--true")
    local = stamp.astimezone(zone)
    on = dt.datetime.combine(face.date or local.date(), face.time)
    at = on.replace(tzinfo=zone if face.offset is None else dt.timezone(face.offset))
    difference = at.astimezone(dt.UTC) - stamp
    return camera, f"{local:%Y-%m-%d %H:%M:%S%z}", difference if face.date else nearest(difference)


def _camera(session: Session, production: models.Production, letter: str) -> models.Camera:
    found = find_camera(session, production, letter)
    if found is None:
        letters = ", ".join(one.letter for one in production.cameras)
        raise NotFoundError(
            f"{production.name} has no camera {letter}",
            remedy=f"There is: {letters}." if letters else "Make it: rushlight camera A",
        )
    return found


def _say_set(root: Root, said: dict[str, Any]) -> None:
    span = tell_span(dt.timedelta(milliseconds=said["correction_ms"]))
    when = "every day" if said["day"] is None else f"day {said['day']}"
    root.out.print(
        f"camera {said['camera']}, {when}: {span} on what it shows. {_say_rederived(said)}", markup=False
    )


def _say_rederived(said: dict[str, Any]) -> str:
    clips = "1 clip" if said["read"] == 1 else f"{said['read']} clips"
    return f"{clips} read anew: {said['changed']} with another time, {said['moved']} on another day."


# -- listing ------------------------------------------------------------------------------------------


def _list(root: Root, letter: str | None, production_name: str | None, as_json: bool) -> None:
    with reading(root.sessions) as session:
        production = root.production(session, production_name)
        cameras = [_camera(session, production, letter)] if letter is not None else production.cameras
        rows = [
            {
                "camera": one.camera.letter,
                "day": None if one.day is None else one.day.number,
                "shown": one.shown,
                "true": one.true_time,
                "correction_ms": one.correction_ms,
            }
            for one in list_corrections(session, production)
            if one.camera in cameras
        ]
        written = {row["camera"] for row in rows if row["day"] is None}
        rows += [
            {
                "camera": one.letter,
                "day": None,
                "shown": "",
                "true": "",
                "correction_ms": one.clock_correction_ms,
            }
            for one in cameras
            if one.clock_correction_ms and one.letter not in written
        ]
    if as_json:
        print_json(rows)
        return
    if not rows:
        root.out.print(f"no clock was corrected; like this: {_EXAMPLE}", markup=False)
        return
    print_table(
        root,
        ("camera", "day", "shown", "true", "correction"),
        [
            (
                str(row["camera"]),
                "every" if row["day"] is None else str(row["day"]),
                str(row["shown"]),
                str(row["true"]),
                tell_span(dt.timedelta(milliseconds=int(row["correction_ms"] or 0))),
            )
            for row in rows
        ],
    )


def _check(root: Root, letter: str | None, production_name: str | None, as_json: bool) -> None:
    with writing(root.sessions) as session:
        production = root.production(session, production_name)
        camera = None if letter is None else _camera(session, production, letter)
        recheck(session, production)
        rows = _findings(session, production, CLOCK_CODES, camera)
    _print_findings(root, rows, "the clocks contradict nothing that is known", as_json)


def _findings(
    session: Session, production: models.Production, codes: frozenset[str], camera: models.Camera | None
) -> list[dict[str, Any]]:
    statement = (
        select(models.Finding, models.Clip.name, models.Reel.name)
        .join(models.Clip, models.Clip.id == models.Finding.clip_id)
        .join(models.Reel, models.Reel.id == models.Clip.reel_id)
        .where(
            models.Clip.production_id == production.id,
            models.Finding.code.in_(codes),
            models.Finding.dismissed.is_(None),
        )
        .order_by(models.Finding.code, models.Reel.name, models.Clip.name)
    )
    if camera is not None:
        statement = statement.where(models.Clip.camera_id == camera.id)
    return [
        {
            "clip": f"{reel}/{name}",
            "code": finding.code,
            "severity": finding.severity.value,
            "value": finding.value,
            "unit": finding.unit,
            "message": finding.message,
            "rule": finding.rule,
        }
        for finding, name, reel in session.execute(statement)
    ]


def _print_findings(root: Root, rows: list[dict[str, Any]], nothing: str, as_json: bool) -> None:
    if as_json:
        print_json(rows)
        return
    for row in rows:
        root.out.print(f"{row['severity']:<8} {row['code']:<20} {row['clip']}", style="bold", markup=False)
        root.out.print(f"    {row['message']}", markup=False)
    if not rows:
        root.out.print(nothing, markup=False)


# -- the sheet ----------------------------------------------------------------------------------------


def sheet(
    context: typer.Context,
    size: Annotated[str | None, typer.Option(help="Size of the picture: 3840x2160. none: any.")] = None,
    curve: Annotated[
        str | None, typer.Option(help="Colour curve as files name it: BT.709, HLG … none: any.")
    ] = None,
    sound: Annotated[str | None, typer.Option(help="Sound samples a second: 48000. none: any.")] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Say what every clip should be, and list those that are not. Rate and zone are the production's."""
    root = root_of(context)
    with writing(root.sessions) as session:
        found = root.production(session, production)
        if size is not None:
            found.width, found.height = _read_size(size)
        if curve is not None:
            found.transfer = None if curve.strip().lower() == _NOTHING else _read_curve(curve)
        if sound is not None:
            found.audio_rate = _read_sound(sound)
        recheck(session, found)
        rows = _findings(session, found, SHEET_CODES, None)
        laid_down = {
            "rate": found.rate.label,
            "drop_frame": found.drop_frame,
            "zone": found.zone,
            "size": None if found.width is None else f"{found.width}x{found.height}",
            "curve": found.transfer,
            "sound": found.audio_rate,
        }
    if as_json:
        print_json({"sheet": laid_down, "deviations": rows})
        return
    counting = ", drop-frame" if laid_down["drop_frame"] else ""
    root.out.print(
        f"{laid_down['rate']} frames a second{counting}, zone {laid_down['zone']}, "
        f"size {laid_down['size'] or 'any'}, curve {laid_down['curve'] or 'any'}, "
        f"sound {laid_down['sound'] or 'any'}",
        markup=False,
    )
    _print_findings(root, rows, "every clip is as the sheet says, as far as its file tells", False)


def _read_size(text: str) -> tuple[int | None, int | None]:
    if text.strip().lower() == _NOTHING:
        return None, None
    match = _SIZE.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"{text!r} is no size of a picture", remedy="Write it as 3840x2160, or none.")
    return int(match[1]), int(match[2])


def _read_curve(text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise UsageError(
            "a colour curve needs a name", remedy="Write it as files do: BT.709, HLG, PQ … or none."
        )
    return text.strip()


def _read_sound(text: str) -> int | None:
    plain = text.strip().lower()
    if plain == _NOTHING:
        return None
    match = re.fullmatch(r"([0-9]{1,3})(?:\.([0-9]{1,3}))?\s*khz", plain)
    rate = int(match[1]) * 1000 + int((match[2] or "").ljust(3, "0")) if match else 0
    if re.fullmatch(r"[0-9]{4,6}", plain):
        rate = int(plain)
    if not 8_000 <= rate <= 768_000:
        raise UsageError(f"{text!r} is no rate of sound", remedy="Write it as 48000 or 48kHz, or none.")
    return rate
