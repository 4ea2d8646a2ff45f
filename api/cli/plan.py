"""`plan`, `wish`, `narration`, `thresholds`: what the film needs, entered and listed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from api.cli.app import Root, print_json, print_table, root_of
from api.cli.options import AsJson, Production
from shared import models
from shared.catalogue.log import find_one_clip, production_vocabulary
from shared.catalogue.plan import (
    put_line,
    put_thresholds,
    put_wish,
    read_thresholds,
    remove_line,
    remove_wish,
)
from shared.catalogue.plan_kinds import read_wish
from shared.catalogue.plan_merge import PlanMerge, merge_plan
from shared.catalogue.plan_values import (
    LINE_FIELDS,
    WISH_FIELDS,
    find_line,
    find_wish,
    line_values,
    read_pairs,
    wish_values,
)
from shared.catalogue.rows import RowsEdit
from shared.catalogue.wrap import read_plan_state
from shared.db import reading, writing
from shared.errors import UsageError
from shared.plan.files import read_plan
from shared.plan.thresholds import PRACTICE, RULES
from shared.plan.wishes import DayState, LineState, WishState, judge_days
from shared.vocabulary import load_vocabulary

Remove = Annotated[bool, typer.Option("--remove", help="Take it away; `rushlight undo` brings it back.")]


def register(app: typer.Typer) -> None:
    app.command("plan")(plan)
    app.command("wish")(wish)
    app.command("narration")(narration)
    app.command("thresholds")(thresholds)


def plan(
    context: typer.Context,
    file: Annotated[
        Path | None,
        typer.Argument(help="A plan to take in: .md, .txt or .csv. Without it the plan is shown."),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would change, and change nothing.")
    ] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Show the plan, or take one in from a file. The same file taken in twice makes no doubles."""
    root = root_of(context)
    if file is not None:
        merge = _take_in(root, file, production, dry_run=dry_run)
        if as_json:
            print_json(merge.as_json() | {"dry_run": dry_run})
            return
        for said, codes in (("added", merge.added), ("changed", merge.changed), ("only here", merge.left)):
            if codes:
                root.out.print(f"{said}: {len(codes)} ({', '.join(codes)})", markup=False)
        root.out.print(
            f"the same: {merge.same}" + (". Nothing was written." if dry_run else ""), markup=False
        )
        return
    with reading(root.sessions) as session:
        found = root.production(session, production)
        state = read_plan_state(session, found)
        goals = [(day.number, day.date.isoformat(), day.goal) for day in found.days]
    if as_json:
        print_json(
            {
                "goals": [{"day": number, "date": date, "goal": goal} for number, date, goal in goals],
                "days": [day_json(one) for one in judge_days(state.wishes)],
                "narration": [line_json(one) for one in state.lines],
                "wishes": [wish_json(one) for one in state.wishes],
            }
        )
        return
    stands = {one.day: one for one in judge_days(state.wishes)}
    for number, _, goal in goals:
        root.out.print(f"day {number}: {goal or 'no goal written'}", markup=False)
        if number in stands:
            root.out.print(f"  {_say_day(stands[number])}", markup=False)
    if None in stands:
        root.out.print(f"of no day: {_say_day(stands[None])}", markup=False)
    _print_lines(root, state.lines)
    print_wishes(root, state.wishes)


def day_json(state: DayState) -> dict[str, Any]:
    return {
        "day": state.day,
        "wishes": state.wishes,
        "covered": state.covered,
        "must_open": state.must_open,
        "wanted_seconds": state.wanted,
        "usable_seconds": float(round(state.usable, 3)),
    }


def _say_day(state: DayState) -> str:
    return (
        f"{state.covered} of {state.wishes} wanted shots covered, "
        f"{float(state.usable):.0f} of {state.wanted} s"
        + (f", {state.must_open} must-shots open" if state.must_open else "")
    )


def _take_in(root: Root, file: Path, production: str | None, *, dry_run: bool) -> PlanMerge:
    content = read_plan(file)
    with root.sessions() as session:
        session.connection(execution_options={"writes": True})
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        merge = merge_plan(session, found, content, file, vocabulary, root.author)
        if dry_run:
            session.rollback()
            merge.edit = None
        else:
            session.commit()
    return merge


def wish(
    context: typer.Context,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[WISH] [field=value…]",
            help='what="hands on the wheel" need=must size=cu seconds=8; with a code, such as W3, that one.',
        ),
    ] = None,
    remove: Remove = False,
    day: Annotated[int | None, typer.Option("--day", help="List those of this day alone.")] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List the wanted shots with how they stand, make one, or change one by its code."""
    root = root_of(context)
    plain = [word for word in words or () if "=" not in word]
    pairs = [word for word in words or () if "=" in word]
    if len(plain) > 1 or (remove and not plain):
        raise UsageError(
            "name one wanted shot", remedy='rushlight wish W3 size=cu, or what="…" for a new one.'
        )
    if not pairs and not remove:
        _show_wishes(root, plain[0] if plain else None, day, production, as_json=as_json)
        return
    with writing(root.sessions) as session:
        found = root.production(session, production)
        row = find_wish(session, found, plain[0]) if plain else None
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        edit = RowsEdit(session, found, root.author, f"wish {' '.join(words or ())}{' --remove' * remove}")
        if remove and row is not None:
            said = f"removed {row.code}; `rushlight undo` brings it back"
            remove_wish(edit, row)
        else:
            values = wish_values(session, found, read_pairs(pairs, WISH_FIELDS), vocabulary)
            made = put_wish(edit, row, values)
            said = f"{made.code}: {made.need.value}, {made.what}"
        edit.close()
    root.out.print(said, markup=False)


def _show_wishes(
    root: Root, wanted: str | None, day: int | None, production: str | None, *, as_json: bool
) -> None:
    with reading(root.sessions) as session:
        found = root.production(session, production)
        state = read_plan_state(session, found)
        one = find_wish(session, found, wanted) if wanted is not None else None
        states = [
            each
            for each in state.wishes
            if (one is None or each.wish.id == one.id) and (day is None or each.wish.day in (day, None))
        ]
        written = read_wish(session, one) if one is not None else None
    if as_json:
        print_json([wish_json(each) | ({"written": written} if written else {}) for each in states])
        return
    print_wishes(root, states)
    for name, value in (written or {}).items():
        if value not in (None, "", []) and name != "position":
            root.out.print(
                f"  {name:<9} {', '.join(value) if isinstance(value, list) else value}", markup=False
            )


def wish_json(state: WishState) -> dict[str, Any]:
    wish = state.wish
    return {
        "code": wish.code,
        "what": wish.what,
        "need": wish.need,
        "beat": wish.beat,
        "day": wish.day,
        "kind": wish.kind,
        "size": wish.size,
        "angle": wish.angle,
        "camera": wish.camera,
        "who": list(wish.people),
        "place": wish.place,
        "dropped": wish.dropped,
    } | state.as_json()


def line_json(state: LineState) -> dict[str, Any]:
    line = state.line
    return {
        "code": line.code,
        "beat": line.beat,
        "text": line.text,
        "picture": line.picture,
        "words": line.words,
        "seconds": line.milliseconds / 1000,
        "recorded": line.recorded,
        "shots": state.shots,
        "wanted_seconds": float(round(state.wanted, 3)),
        "usable_seconds": float(round(state.usable, 3)),
        "wishes": list(state.wishes),
    }


def print_wishes(root: Root, states: Sequence[WishState]) -> None:
    if not states:
        root.out.print('no shot is wanted yet: rushlight wish what="…" need=must', markup=False)
        return
    rows = [
        (
            one.wish.code,
            one.wish.need,
            str(one.wish.day or ""),
            one.status.value,
            f"{float(one.usable):.0f}/{one.wish.seconds} s",
            " ".join(word for word in (one.wish.kind, one.wish.size, one.wish.angle) if word),
            one.wish.beat,
            one.wish.what,
        )
        for one in states
    ]
    print_table(root, ("wish", "need", "day", "stands", "usable", "how", "beat", "what"), rows, right=0b10100)


def narration(
    context: typer.Context,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[LINE] [field=value…]",
            help='text="At dawn …" beat=Opening picture="the river"; recorded=12.4 once it was read.',
        ),
    ] = None,
    clip: Annotated[
        str | None, typer.Option("--clip", help="The clip in which the line was read: its length counts.")
    ] = None,
    remove: Remove = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List the narration with its spoken length, or make or change a line. Recorded lines set the pace."""
    root = root_of(context)
    plain = [word for word in words or () if "=" not in word]
    pairs = [word for word in words or () if "=" in word]
    if len(plain) > 1 or ((remove or clip is not None) and not plain):
        raise UsageError("name one line", remedy='rushlight narration N1 …, or text="…" for a new one.')
    if not pairs and not remove and clip is None:
        with reading(root.sessions) as session:
            found = root.production(session, production)
            one = find_line(session, found, plain[0]) if plain else None
            state = read_plan_state(session, found)
        lines = [each for each in state.lines if one is None or each.line.id == one.id]
        if as_json:
            print_json([line_json(each) for each in lines])
            return
        _print_lines(root, lines)
        return
    with writing(root.sessions) as session:
        found = root.production(session, production)
        row = find_line(session, found, plain[0]) if plain else None
        edit = RowsEdit(
            session, found, root.author, f"narration {' '.join(words or ())}{' --remove' * remove}"
        )
        if remove and row is not None:
            said = f"removed {row.code}; `rushlight undo` brings it back"
            remove_line(edit, row)
        else:
            values = line_values(read_pairs(pairs, LINE_FIELDS))
            if clip is not None:
                values["recorded_ms"] = _length_of(find_one_clip(session, found, clip))
            made = put_line(edit, row, values)
            said = f"{made.code}: {made.text}"
        edit.close()
    root.out.print(said, markup=False)


def _length_of(clip: models.Clip) -> int:
    if not clip.frames or not clip.per_second:
        raise UsageError("its length is not known", path=clip.name, remedy="Give it: recorded=12.4.")
    return round(clip.frames / clip.per_second * 1000)


def _print_lines(root: Root, lines: Sequence[LineState]) -> None:
    if not lines:
        root.out.print('no narration yet: rushlight narration text="…" beat=…', markup=False)
        return
    rows = [
        (
            one.line.code,
            f"{one.line.milliseconds / 1000:.1f} s",
            "recorded" if one.line.recorded else "estimated",
            str(one.line.words),
            str(one.shots),
            f"{float(one.usable):.0f}/{float(one.wanted):.0f} s",
            one.line.beat,
            one.line.text,
        )
        for one in lines
    ]
    heads = ("line", "length", "", "words", "shots", "usable", "beat", "text")
    print_table(root, heads, rows, right=0b111010)
    whole = sum(one.line.milliseconds for one in lines) / 1000
    root.out.print(f"{whole:.0f} s of narration in all", markup=False)


def thresholds(
    context: typer.Context,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[name=value…]", help="wish-seconds=8; an empty value goes back to the usual one."
        ),
    ] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List or set the numbers that coverage and wrap judge by. They are common practice, no source."""
    root = root_of(context)
    if words:
        with writing(root.sessions) as session:
            found = root.production(session, production)
            edit = RowsEdit(session, found, root.author, f"thresholds {' '.join(words)}")
            put_thresholds(edit, dict(map(_threshold, words)))
            edit.close()
    with reading(root.sessions) as session:
        force = read_thresholds(session, root.production(session, production))
    if as_json:
        print_json(
            [
                {"name": rule.name, "value": force[rule.name], "unit": rule.unit, "usual": rule.value}
                for rule in RULES.values()
            ]
        )
        return
    rows = [
        (rule.name, str(force[rule.name]), rule.unit, "own" if rule.name in force.own else "", rule.help)
        for rule in RULES.values()
    ]
    print_table(root, ("threshold", "value", "unit", "", "what for"), rows, right=0b10)
    root.out.print(f"All of them: {PRACTICE}.", markup=False)


def _threshold(word: str) -> tuple[str, int | None]:
    name, sign, value = word.partition("=")
    if not sign or (value and not (value.isascii() and value.isdigit() and len(value) < 10)):
        raise UsageError(f"{word!r} is no name=value", remedy="Write it like wish-seconds=8.")
    return name.strip().lower().replace("_", "-"), int(value) if value else None
