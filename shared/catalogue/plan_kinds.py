"""The plan's rows as snapshots, and filled from them: what the journal and an undo need to know of each."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.assignments import SetNames
from shared.catalogue.journal import Values
from shared.catalogue.log import name_ids
from shared.catalogue.productions import find_camera
from shared.catalogue.rows import RowKind
from shared.errors import ConflictError
from shared.models import (
    Answer,
    AnswerState,
    Clip,
    Moment,
    NarrationLine,
    Need,
    Origin,
    Outline,
    OutlineItem,
    Person,
    Production,
    ShootingDay,
    Threshold,
    WantedShot,
)

_WISH_TEXTS = ("what", "words", "beat", "place", "note", "dropped", "code")
_WISH_TERMS = ("kind", "size", "angle")


def read_wish(_session: Session, wish: WantedShot) -> Values:
    return {
        **{name: getattr(wish, name) for name in (*_WISH_TEXTS, *_WISH_TERMS, "seconds", "position")},
        "origin": wish.origin.value,
        "need": wish.need.value,
        "line": wish.line.code if wish.line is not None else None,
        "day": wish.day.date.isoformat() if wish.day is not None else None,
        "camera": wish.camera.letter if wish.camera is not None else None,
        "who": [person.name for person in wish.people],
    }


def _fill_wish(session: Session, production: Production, wish: WantedShot, values: Mapping[str, Any]) -> None:
    _check_code(session, production, wish, values)
    for name in (*_WISH_TEXTS, *_WISH_TERMS, "seconds", "position"):
        if name in values:
            setattr(wish, name, values[name])
    if "origin" in values:
        wish.origin = Origin(values["origin"])
    if "need" in values:
        wish.need = Need(values["need"])
    if "line" in values:
        wish.line = _line(session, production, values["line"])
    if "day" in values:
        wish.day = _day(session, production, values["day"])
    if "camera" in values:
        wish.camera = _camera(session, production, values["camera"])
    if "who" in values:
        ids = name_ids(session, production, SetNames("person", tuple(values["who"])))
        wish.people = [session.get_one(Person, key) for key in dict.fromkeys(ids)]


def _check_code(session: Session, production: Production, row: Any, values: Mapping[str, Any]) -> None:
    """Raises ConflictError for a code that another one has, be it since this one was removed."""
    if "code" not in values:
        return
    model = type(row)
    twin = session.scalar(
        select(model).where(
            model.production_id == production.id, func.lower(model.code) == values["code"].lower()
        )
    )
    if twin is not None and twin is not row:
        raise ConflictError(f"{values['code']} is there already", remedy="Give that one another code first.")


def _line(session: Session, production: Production, code: str | None) -> NarrationLine | None:
    if code is None:
        return None
    found = session.scalar(select(NarrationLine).filter_by(production_id=production.id, code=code))
    if found is None:
        raise _gone(f"narration line {code}")
    return found


def _day(session: Session, production: Production, date: str | None) -> ShootingDay | None:
    if date is None:
        return None
    found = session.scalar(
        select(ShootingDay).filter_by(production_id=production.id, date=dt.date.fromisoformat(date))
    )
    if found is None:
        raise _gone(f"the shooting day of {date}")
    return found


def _camera(session: Session, production: Production, letter: str | None) -> Any:
    if letter is None:
        return None
    found = find_camera(session, production, letter)
    if found is None:
        raise _gone(f"camera {letter}")
    return found


def _gone(what: str) -> ConflictError:
    return ConflictError(f"{what} is not there any more", remedy="Make it again first.")


def _wish_held(session: Session, wish: WantedShot) -> str | None:
    count = session.scalar(select(func.count()).select_from(Answer).where(Answer.wish_id == wish.id))
    return f"{count} clips or moments were said to answer it, or not" if count else None


def _read_line(_session: Session, line: NarrationLine) -> Values:
    return {
        name: getattr(line, name) for name in ("code", "position", "beat", "text", "picture", "recorded_ms")
    }


def _fill_line(
    session: Session, production: Production, line: NarrationLine, values: Mapping[str, Any]
) -> None:
    _check_code(session, production, line, values)
    _fill_columns(session, production, line, values)


def _fill_columns(_session: Session, _production: Production, row: Any, values: Mapping[str, Any]) -> None:
    for name, value in values.items():
        setattr(row, name, value)


def _line_held(session: Session, line: NarrationLine) -> str | None:
    codes = list(session.scalars(select(WantedShot.code).where(WantedShot.line_id == line.id)))
    if codes:
        return f"wanted for it: {', '.join(codes)}"
    outlines = select(Outline.name).join(OutlineItem, OutlineItem.outline_id == Outline.id)
    name = session.scalar(outlines.where(OutlineItem.line_id == line.id))
    return f"it stands in the outline {name}" if name is not None else None


def read_answer(_session: Session, answer: Answer) -> Values:
    clip = answer.moment.clip if answer.moment is not None else answer.clip
    return {
        "wish": answer.wish.code,
        "name": f"{answer.wish.code}: {clip.name if clip is not None else ''}",
        "clip": answer.clip_id,
        "moment": answer.moment_id,
        "state": answer.state.value,
    }


def _fill_answer(session: Session, production: Production, answer: Answer, values: Mapping[str, Any]) -> None:
    if "wish" in values:
        wish = session.scalar(select(WantedShot).filter_by(production_id=production.id, code=values["wish"]))
        if wish is None:
            raise _gone(f"wanted shot {values['wish']}")
        answer.wish = wish
    for name, model in (("clip", Clip), ("moment", Moment)):
        if (key := values.get(name)) is not None:
            if session.get(model, key) is None:
                raise _gone(f"{name} {key}")
            setattr(answer, f"{name}_id", key)
    if "state" in values:
        answer.state = AnswerState(values["state"])


def _read_threshold(_session: Session, row: Threshold) -> Values:
    return {"name": row.name, "value": row.value}


def _read_day(_session: Session, day: ShootingDay) -> Values:
    date = day.date.isoformat()
    return {"name": f"day {day.number}", "number": day.number, "date": date, "goal": day.goal}


def _fill_day(session: Session, production: Production, day: ShootingDay, values: Mapping[str, Any]) -> None:
    if "date" in values:
        day.date = dt.date.fromisoformat(values["date"])
        with session.no_autoflush:
            there = select(ShootingDay.number).filter_by(production_id=production.id, date=day.date)
            if (twin := session.scalar(there.where(ShootingDay.id != day.id))) is not None:
                raise ConflictError(f"{day.date} is day {twin} by now", remedy="One date, one shooting day.")
    for name in ("number", "goal"):
        if name in values:
            setattr(day, name, values[name])


def _day_held(session: Session, day: ShootingDay) -> str | None:
    shot = session.scalar(select(func.count()).select_from(Clip).where(Clip.day_id == day.id))
    wanted = session.scalar(select(func.count()).select_from(WantedShot).where(WantedShot.day_id == day.id))
    said = [text for count, text in ((shot, "clips were shot on it"), (wanted, "wanted for it")) if count]
    return f"{shot or wanted} {said[0]}" if said else None


DAY = RowKind("day", 0, "shooting day", ShootingDay, _read_day, _fill_day, _day_held)
THRESHOLD = RowKind("threshold", 0, "threshold", Threshold, _read_threshold, _fill_columns)
LINE = RowKind("narration", 1, "narration line", NarrationLine, _read_line, _fill_line, _line_held)
WISH = RowKind("wanted", 2, "wanted shot", WantedShot, read_wish, _fill_wish, _wish_held)
ANSWER = RowKind("answer", 3, "answer", Answer, read_answer, _fill_answer, leaf=True)
PLAN_KINDS = (DAY, THRESHOLD, LINE, WISH, ANSWER)
