"""The plan's writes: wishes, narration lines, answers, thresholds. Every one goes through the journal."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.plan_kinds import ANSWER, LINE, THRESHOLD, WISH
from shared.catalogue.rows import RowsEdit
from shared.errors import NotFoundError, UsageError
from shared.models import (
    Answer,
    AnswerState,
    Change,
    ChangeSet,
    Clip,
    Moment,
    NarrationLine,
    Production,
    Threshold,
    WantedShot,
)
from shared.plan.thresholds import RULES, Thresholds, check_threshold

_NUMBERED = re.compile(r"[A-Z]([0-9]{1,9})")


def put_wish(edit: RowsEdit, wish: WantedShot | None, values: Mapping[str, Any]) -> WantedShot:
    """Make a wish, or change one. Raises UsageError without words, ConflictError for a code that is taken."""
    if wish is None:
        if not values.get("what"):
            raise UsageError("a wanted shot needs words", remedy='Write what="hands on the wheel".')
        values = _numbered(edit, WantedShot, "W", values)
        if values.get("line") and "origin" not in values:
            values["origin"] = "narration"
    made = edit.put(WISH, wish.id if wish is not None else None, values)
    assert isinstance(made, WantedShot)
    return made


def put_line(edit: RowsEdit, line: NarrationLine | None, values: Mapping[str, Any]) -> NarrationLine:
    """Make a narration line, or change one. Raises as `put_wish`."""
    if line is None:
        if not values.get("text"):
            raise UsageError("a narration line needs words", remedy='Write text="At dawn …".')
        values = _numbered(edit, NarrationLine, "N", values)
    made = edit.put(LINE, line.id if line is not None else None, values)
    assert isinstance(made, NarrationLine)
    return made


def _numbered(
    edit: RowsEdit, model: type[WantedShot] | type[NarrationLine], letter: str, values: Mapping[str, Any]
) -> dict[str, Any]:
    """With a code and a place at the end, where none is given. A number is not given a second time, also
    where the first that had it was removed: an undo may bring that back."""
    rows = edit.session.execute(
        select(model.code, model.position).where(model.production_id == edit.production.id)
    ).all()
    numbers = [int(match[1]) for code, _ in rows if (match := _NUMBERED.fullmatch(code.upper()))]
    last = max((position for _, position in rows), default=0)
    kind = WISH if model is WantedShot else LINE
    made = edit.session.scalar(
        select(func.count())
        .select_from(Change)
        .join(ChangeSet, ChangeSet.id == Change.set_id)
        .where(
            ChangeSet.production_id == edit.production.id, Change.kind == kind.name, Change.before.is_(None)
        )
    )
    number = max([*numbers, made or 0]) + 1
    return {"code": f"{letter}{number}", "position": last + 1, **values}


def remove_wish(edit: RowsEdit, wish: WantedShot) -> None:
    """Take a wish away, with what was said to answer it."""
    for answer in list(edit.session.scalars(select(Answer).where(Answer.wish_id == wish.id))):
        edit.remove(ANSWER, answer)
    edit.remove(WISH, wish)


def remove_line(edit: RowsEdit, line: NarrationLine) -> None:
    """Take a narration line away; wishes that it gave rise to stay, without it."""
    for wish in list(edit.session.scalars(select(WantedShot).where(WantedShot.line_id == line.id))):
        edit.put(WISH, wish.id, {"line": None})
    edit.remove(LINE, line)


def put_answer(
    edit: RowsEdit, wish: WantedShot, *, clip: Clip | None, moment: Moment | None, state: AnswerState
) -> Answer:
    """Say that a clip, or a moment, answers a wish, or that it does not."""
    if (clip is None) == (moment is None):
        raise UsageError("an answer is a clip or a moment", remedy="Name one of them.")
    rows = select(Answer).where(Answer.wish_id == wish.id)
    there = edit.session.scalar(
        rows.where(Answer.clip_id == clip.id) if clip is not None else rows.where(Answer.moment == moment)
    )
    values = {
        "wish": wish.code,
        "clip": clip.id if clip is not None else None,
        "moment": moment.id if moment is not None else None,
        "state": state.value,
    }
    made = edit.put(ANSWER, there.id if there is not None else None, values)
    assert isinstance(made, Answer)
    made.made_by = edit.by[:100]
    return made


def find_answer(session: Session, production: Production, number: int) -> Answer:
    """Raises NotFoundError."""
    found = session.get(Answer, number)
    if found is None or found.wish.production_id != production.id:
        raise NotFoundError(
            f"{production.name} has no answer {number}", remedy="List a wish's: `rushlight answer W1`."
        )
    return found


def remove_answers_of(edit: RowsEdit, moment: Moment) -> None:
    """Before a moment goes, what was said of it and a wish."""
    for answer in list(edit.session.scalars(select(Answer).where(Answer.moment_id == moment.id))):
        edit.remove(ANSWER, answer)


def read_thresholds(session: Session, production: Production) -> Thresholds:
    rows = session.execute(
        select(Threshold.name, Threshold.value).where(Threshold.production_id == production.id)
    )
    return Thresholds({name: value for name, value in rows if name in RULES})


def put_thresholds(edit: RowsEdit, wanted: Mapping[str, int | None]) -> None:
    """Set thresholds of a production; None goes back to the usual one. Raises UsageError."""
    for name, value in wanted.items():
        check_threshold(name, RULES[name].value if value is None and name in RULES else value or 0)
        row = edit.session.scalar(select(Threshold).filter_by(production_id=edit.production.id, name=name))
        if value is not None:
            edit.put(THRESHOLD, row.id if row is not None else None, {"name": name, "value": value})
        elif row is not None:
            edit.remove(THRESHOLD, row)


def list_wishes(session: Session, production: Production) -> list[WantedShot]:
    """In the order of the plan."""
    rows = select(WantedShot).where(WantedShot.production_id == production.id)
    return list(session.scalars(rows.order_by(WantedShot.position, WantedShot.id)))


def list_lines(session: Session, production: Production) -> list[NarrationLine]:
    """In the order of the film."""
    rows = select(NarrationLine).where(NarrationLine.production_id == production.id)
    return list(session.scalars(rows.order_by(NarrationLine.position, NarrationLine.id)))


def answers_of(session: Session, wish_ids: Iterable[int]) -> list[Answer]:
    """Answers of these wishes, confirmed or refused, in the order in which they were given."""
    rows = select(Answer).where(Answer.wish_id.in_(list(wish_ids)))
    return list(session.scalars(rows.order_by(Answer.id)))
