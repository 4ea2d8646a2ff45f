"""`wrap`, `coverage`, `answer`: what is missing while it can still be shot, and what answers a wish."""

from __future__ import annotations

import textwrap
from typing import Annotated

import typer
from rich.text import Text

from api.cli.app import Root, print_json, print_table, root_of
from api.cli.options import AsJson, Production
from shared.catalogue.log import find_one_clip
from shared.catalogue.moments import find_moment
from shared.catalogue.plan import answers_of, put_answer
from shared.catalogue.plan_kinds import ANSWER
from shared.catalogue.plan_values import find_wish
from shared.catalogue.release_standing import CAUTION
from shared.catalogue.rows import RowsEdit
from shared.catalogue.wrap import read_plan_state, read_wrap
from shared.db import reading, writing
from shared.errors import UsageError
from shared.models import AnswerState
from shared.plan.coverage import Coverage
from shared.plan.thresholds import PRACTICE
from shared.plan.wishes import WishState
from shared.plan.wrap import TITLES, WrapGroup, WrapReport, counted

_WIDTH = 100

Day = Annotated[int | None, typer.Option("--day", help="A shooting day; without it the whole production.")]


def register(app: typer.Typer) -> None:
    app.command("wrap")(wrap)
    app.command("coverage")(coverage)
    app.command("answer")(answer)


def wrap(
    context: typer.Context,
    day: Day = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Say what is unsafe, missing, damaged or thin before you leave: gravest first, with what mends it."""
    root = root_of(context)
    with reading(root.sessions) as session:
        report = read_wrap(session, root.production(session, production), day)
    if as_json:
        print_json(report.as_json())
        return
    print_wrap(root, report)


def print_wrap(root: Root, report: WrapReport, most: int | None = None) -> None:
    """For a screen or a printer: plain lines, `most` of them at most."""
    when = f"day {report.day}" if report.day is not None else "all days"
    root.out.print(
        f"Wrap of {report.production}, {when}: {counted(report.clips, 'clip')}", style="bold", markup=False
    )
    if report.goal:
        _wrapped(root, f"Goal: {report.goal}", "  ", "  ")
    left = most if most is not None else len(report.lines)
    for group in WrapGroup:
        lines = report.of(group)
        if not lines and most is not None:
            continue
        minutes = sum(line.minutes for line in lines)
        head = f"{TITLES[group]}: " + (f"{len(lines)}, about {minutes} min" if lines else "nothing")
        if left > 0 or most is None:
            root.out.print(f"\n{head}", style="bold", markup=False)
        for line in lines[: max(0, left)]:
            _wrapped(root, f"{line.name}: {line.text}", "- ", "  ")
            _wrapped(root, f"{line.rule} {line.fix} ({line.minutes} min)", "    ", "    ")
        left -= len(lines)
    if most is not None and len(report.lines) > most:
        root.out.print(f"\n… and {len(report.lines) - most} more", markup=False)
    root.out.print("")
    _wrapped(root, f"Rules and minutes: {PRACTICE}; `rushlight thresholds` changes them. {CAUTION}", "", "")


def _wrapped(root: Root, text: str, first: str, rest: str) -> None:
    width = min(_WIDTH, root.out.width) if root.out.is_terminal else _WIDTH
    one = " ".join(text.split())
    for line in textwrap.wrap(
        one, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    ):
        root.out.print(Text(line), soft_wrap=True)


def coverage(
    context: typer.Context,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Show usable seconds by beat, kind, size and angle; what scenes and interviews lack; camera heights."""
    root = root_of(context)
    with reading(root.sessions) as session:
        found = read_plan_state(session, root.production(session, production)).coverage
    if as_json:
        print_json(found.as_json())
        return
    rows = [
        (
            cell.beat or "(none)",
            cell.kind,
            cell.size,
            cell.angle,
            str(cell.clips),
            f"{float(cell.usable):.0f}",
            f"{float(cell.seconds):.0f}",
        )
        for cell in found.cells
    ]
    print_table(root, ("beat", "kind", "size", "angle", "clips", "usable s", "shot s"), rows, right=0b1110000)
    _print_rest(root, found)


def _print_rest(root: Root, found: Coverage) -> None:
    for scene in found.scenes:
        lacking = ", ".join(scene.missing) or "nothing"
        _wrapped(root, f"scene {scene.beat}: lacks {lacking}", "", "  ")
    for one in found.interviews:
        _wrapped(root, f"interview of {one.person}: lacks {'; '.join(one.missing) or 'nothing'}", "", "  ")
    for height in found.heights:
        said = ", ".join(f"{name} {float(seconds):.0f} s" for name, seconds in height.seconds)
        odd = f"; mostly {height.one_sided}" if height.one_sided else ""
        _wrapped(root, f"camera height, {height.person}: {said}{odd}", "", "  ")
    _wrapped(root, f"What a scene and an interview need: {PRACTICE}.", "", "")


def answer(
    context: typer.Context,
    words: Annotated[
        list[str] | None,
        typer.Argument(metavar="[WISH [CLIP]]", help="A wanted shot, and the clip that is such a shot."),
    ] = None,
    moment: Annotated[int | None, typer.Option("--moment", help="A moment instead of a clip.")] = None,
    refuse: Annotated[
        bool, typer.Option("--no", help="Say that it is no such shot: it is not suggested again.")
    ] = False,
    remove: Annotated[bool, typer.Option("--remove", help="Take back what was said of the two.")] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Confirm which clip or moment answers a wanted shot; without a clip, list what may, and what does."""
    root = root_of(context)
    given = list(words or ())
    if len(given) > 2 or (moment is not None and len(given) != 1):
        raise UsageError(
            "give a wanted shot and one clip, or --moment", remedy="rushlight answer W3 A001/C0001"
        )
    if len(given) == 2 or moment is not None:
        _say_answer(root, given, moment, production, refuse=refuse, remove=remove)
        return
    with reading(root.sessions) as session:
        found = root.production(session, production)
        state = read_plan_state(session, found)
        one = find_wish(session, found, given[0]) if given else None
    states = [
        each
        for each in state.wishes
        if (each.wish.id == one.id if one is not None else each.suggestions and not each.answers)
    ]
    if as_json:
        print_json([each.as_json() for each in states])
        return
    for each in states:
        _print_answers(root, each)
    if not states:
        root.out.print("nothing is suggested for any wanted shot without an answer", markup=False)


def _say_answer(
    root: Root, given: list[str], moment: int | None, production: str | None, *, refuse: bool, remove: bool
) -> None:
    with writing(root.sessions) as session:
        found = root.production(session, production)
        wish = find_wish(session, found, given[0])
        marked = find_moment(session, found, moment) if moment is not None else None
        clip = find_one_clip(session, found, given[1]) if marked is None else None
        name = clip.name if clip is not None else f"moment {moment}"
        edit = RowsEdit(session, found, root.author, f"answer {wish.code} {name}{' --no' * refuse}")
        if remove:
            there = [
                one
                for one in answers_of(session, [wish.id])
                if (one.clip_id, one.moment_id) == (clip and clip.id, marked and marked.id)
            ]
            for one in there:
                edit.remove(ANSWER, one)
            said = (
                f"took back what was said of {wish.code} and {name}" if there else "nothing was said of them"
            )
        else:
            state = AnswerState.REFUSED if refuse else AnswerState.CONFIRMED
            put_answer(edit, wish, clip=clip, moment=marked, state=state)
            said = f"{name} is {'no ' if refuse else ''}answer to {wish.code} {wish.what}"
        edit.close()
    root.out.print(said, markup=False)


def _print_answers(root: Root, state: WishState) -> None:
    wish = state.wish
    root.out.print(
        f"{wish.code} {wish.what}: {state.status.value}, {float(state.usable):.0f}/{wish.seconds} s",
        style="bold",
        markup=False,
    )
    for one in state.answers:
        root.out.print(f"  confirmed  {one.name}, {float(one.usable):.0f} s usable", markup=False)
    for likely in state.suggestions[:8]:
        root.out.print(
            f"  {likely.percent:>3} %      {likely.piece.name}, {float(likely.piece.usable):.0f} s usable: "
            f"{', '.join(likely.why)}",
            markup=False,
        )
