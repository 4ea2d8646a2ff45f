"""Taking a plan's file into the catalogue: what is there is changed, what is new is added, none is doubled.

A wish is known by its code, else by its words within its beat; a narration line likewise. What the file does
not name stays as it is, and what stands in the catalogue alone is counted and left.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.log_files import Fault, FaultyFileError
from shared.catalogue.plan import list_lines, list_wishes, put_line, put_wish
from shared.catalogue.plan_kinds import DAY, LINE, read_wish
from shared.catalogue.plan_values import line_values, wish_values
from shared.catalogue.rows import RowsEdit
from shared.errors import AppError
from shared.models import ChangeSet, NarrationLine, Production, ShootingDay
from shared.plan.files import PlanFile, PlanLine, PlanWish
from shared.vocabulary import Vocabulary
from shared.words import fold_name


@dataclass(slots=True)
class PlanMerge:
    """What an import did. `left`: codes that the catalogue has and the file does not."""

    added: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    same: int = 0
    left: list[str] = field(default_factory=list)
    edit: ChangeSet | None = None

    def as_json(self) -> dict[str, Any]:
        return {
            "added": self.added,
            "changed": self.changed,
            "same": self.same,
            "left": self.left,
            "edit": self.edit.id if self.edit is not None else None,
        }

    def note(self, code: str, *, new: bool, changed: bool) -> None:
        if new:
            self.added.append(code)
        elif changed:
            self.changed.append(code)
        else:
            self.same += 1


def merge_plan(
    session: Session, production: Production, plan: PlanFile, path: PurePath, vocabulary: Vocabulary, by: str
) -> PlanMerge:
    """Write a file's plan, in the caller's transaction and as one edit of the journal.

    Raises FaultyFileError with every fault and its line; nothing is changed then if the caller rolls back.
    """
    edit = RowsEdit(session, production, by, f"plan {path.name}")
    merge, faults = PlanMerge(), list[Fault]()
    for line, number, goal in plan.goals:
        _set_goal(edit, merge, line, number, goal, faults)
    lines = _merge_lines(edit, merge, plan.lines, faults)
    _merge_wishes(edit, merge, plan.wishes, lines, vocabulary, faults)
    if faults:
        raise FaultyFileError(path, faults)
    merge.edit = edit.close()
    return merge


def _set_goal(
    edit: RowsEdit, merge: PlanMerge, line: int, number: int, goal: str, faults: list[Fault]
) -> None:
    day = edit.session.scalar(select(ShootingDay).filter_by(production_id=edit.production.id, number=number))
    if day is None:
        remedy = f"rushlight day {number} --date 2026-05-12"
        faults.append(Fault(f"line {line}", f"there is no shooting day {number} yet: `{remedy}`"))
        return
    changed = day.goal != goal
    edit.put(DAY, day.id, {"goal": goal})
    merge.note(f"day {number}", new=False, changed=changed)


def _merge_lines(
    edit: RowsEdit, merge: PlanMerge, lines: list[PlanLine], faults: list[Fault]
) -> list[NarrationLine | None]:
    there = list_lines(edit.session, edit.production)
    by_code = {line.code.casefold(): line for line in there}
    by_text = {(fold_name(line.beat), fold_name(line.text)): line for line in there}
    found: list[NarrationLine | None] = []
    for position, line in enumerate(lines, start=1):
        given = {"text": line.text, "beat": line.beat} | ({"picture": line.picture} if line.picture else {})
        known = by_text.get((fold_name(line.beat), fold_name(line.text)))
        if line.code:
            given["code"] = line.code
            known = by_code.get(line.code.casefold())
        try:
            values = line_values(given) | {"position": position}
            before = LINE.read(edit.session, known) if known is not None else None
            made = put_line(edit, known, values)
        except AppError as error:
            faults.append(_fault(line.line, error))
            found.append(None)
            continue
        changed = before is not None and LINE.read(edit.session, made) != before
        merge.note(made.code, new=known is None, changed=changed)
        by_text[(fold_name(line.beat), fold_name(line.text))] = made
        found.append(made)
    kept = {line.id for line in found if line is not None}
    merge.left += [line.code for line in there if line.id not in kept] if lines else []
    return found


def _merge_wishes(
    edit: RowsEdit,
    merge: PlanMerge,
    wishes: list[PlanWish],
    lines: list[NarrationLine | None],
    vocabulary: Vocabulary,
    faults: list[Fault],
) -> None:
    there = list_wishes(edit.session, edit.production)
    by_code = {wish.code.casefold(): wish for wish in there}
    by_what = {_key(wish.beat, wish.what): wish for wish in there}
    kept: set[int] = set()
    for position, wish in enumerate(wishes, start=1):
        key = _key(wish.fields.get("beat", ""), wish.fields["what"])
        code = wish.fields.get("code", "")
        known = by_code.get(code.casefold()) if code else by_what.get(key)
        if known is not None and known.id in kept:
            faults.append(Fault(f"line {wish.line}", "this wish stands there already: take one of them out"))
            continue
        try:
            values = wish_values(edit.session, edit.production, wish.fields, vocabulary)
            values["position"] = position
            line = lines[wish.narration] if wish.narration is not None else None
            if line is not None:
                values |= {"line": line.code, "origin": "narration"}
            before = read_wish(edit.session, known) if known is not None else None
            made = put_wish(edit, known, values)
        except AppError as error:
            faults.append(_fault(wish.line, error))
            continue
        changed = before is not None and read_wish(edit.session, made) != before
        merge.note(made.code, new=known is None, changed=changed)
        by_what[key] = made
        kept.add(made.id)
    merge.left += [wish.code for wish in there if wish.id not in kept] if wishes else []


def _key(beat: str, what: str) -> tuple[str, str]:
    return fold_name(beat), fold_name(what)


def _fault(line: int, error: AppError) -> Fault:
    return Fault(f"line {line}", f"{error.message}. {error.remedy}" if error.remedy else error.message)
