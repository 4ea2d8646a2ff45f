"""`outline`: the paper edit, made and shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

import typer
from sqlalchemy.orm import Session

from api.cli.app import Root, print_json, root_of
from api.cli.options import AsJson, Production
from api.cli.outline_show import print_comparison, print_outline, print_outlines, print_versions, version_json
from shared import models
from shared.catalogue.clip_places import read_frame
from shared.catalogue.log import find_one_clip
from shared.catalogue.moments import find_moment
from shared.catalogue.outline_rows import read_outline_state
from shared.catalogue.outline_values import (
    Range,
    cover_values,
    cue_ranges,
    parts_for,
    plain_values,
    range_of,
)
from shared.catalogue.outlines import (
    NOW,
    add_item,
    change_item,
    change_outline,
    check_quote,
    compare_versions,
    find_outline,
    find_version,
    item_at,
    keep_version,
    list_outlines,
    list_versions,
    make_outline,
    move_item,
    remove_item,
    remove_outline,
    return_to,
    trim_item,
)
from shared.catalogue.plan_values import find_line
from shared.catalogue.rows import RowsEdit
from shared.db import reading, writing
from shared.errors import UsageError
from shared.models import ClipMedia, ItemKind
from shared.outline.tell import outline_json
from shared.words import show_short

_SHOWS = ("show", "list", "versions", "compare")


@dataclass(frozen=True, slots=True)
class Given:
    """What one call of the command was given, beside the words."""

    outline: str | None = None
    place: int | None = None
    seconds: str | None = None
    target: int | None = None
    speaker: str = ""
    mood: str | None = None
    note: str | None = None
    moment: int | None = None
    cues: str | None = None
    offset: int = 0
    part: int = 1
    clear: bool = False
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Desk:
    """Where an action works: the edit it is part of, and the outline that is meant."""

    session: Session
    production: models.Production
    edit: RowsEdit
    given: Given

    @property
    def outline(self) -> models.Outline:
        return find_outline(self.session, self.production, self.given.outline)

    def item(self, text: str) -> models.OutlineItem:
        return item_at(self.session, self.outline, _number(text, "the item's number"))


def register(app: typer.Typer) -> None:
    app.command("outline")(outline)


def outline(
    context: typer.Context,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[ACTION] [WORDS…]",
            help="new NAME; show; list; add quote|scene|narration|music|title …; move ITEM PLACE; trim ITEM "
            "IN OUT; cover ITEM CLIP [IN OUT]; check ITEM; remove ITEM; target; keep NAME; versions; compare "
            "EARLIER [LATER]; return NAME. Items are numbered from 1.",
        ),
    ] = None,
    of: Annotated[str | None, typer.Option("--of", help="The outline; the latest without it.")] = None,
    at: Annotated[int | None, typer.Option("--at", help="Place of a new item; without it the end.")] = None,
    seconds: Annotated[
        str | None,
        typer.Option(
            "--seconds", help="Length of a title, of a photograph, or of music without a clip: 4.5."
        ),
    ] = None,
    target: Annotated[
        int | None, typer.Option("--target", help="Seconds the whole is to run; 0 takes the target away.")
    ] = None,
    speaker: Annotated[str, typer.Option("--speaker", help="Who says a quote, if the words do not.")] = "",
    mood: Annotated[str | None, typer.Option("--mood", help="Of the music.")] = None,
    note: Annotated[str | None, typer.Option("--note", help="A word on the item.")] = None,
    moment: Annotated[
        int | None, typer.Option("--moment", help="A moment instead of a clip with in and out.")
    ] = None,
    cues: Annotated[
        str | None, typer.Option("--cues", help="Cues of a transcript instead, by number: 12-14, or 12,17.")
    ] = None,
    offset: Annotated[
        int, typer.Option("--offset", help="Where cover begins, in edit frames from the item's start.")
    ] = 0,
    part: Annotated[int, typer.Option("--part", help="Which part of a stitched quote to trim.")] = 1,
    clear: Annotated[bool, typer.Option("--clear", help="With cover: take the item's cover away.")] = False,
    whole: Annotated[bool, typer.Option("--whole", help="With remove: the whole outline.")] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Order quotes, scenes, narration, music and titles into a paper edit, and see how long it runs."""
    root = root_of(context)
    action, *rest = words or ["show"]
    given = Given(
        of, at, seconds, target, speaker, mood, note, moment, cues, offset, part, clear, whole
    )  # fmt: skip
    if action in _SHOWS:
        _show(root, action, rest, given, production, as_json=as_json)
        return
    if action not in ACTIONS:
        raise UsageError(
            f"there is no {show_short(action)} of an outline",
            remedy=f"There is: {', '.join((*_SHOWS, *ACTIONS))}.",
        )
    with writing(root.sessions) as session:
        found = root.production(session, production)
        edit = RowsEdit(session, found, root.author, f"outline {' '.join(words or ())}")
        said = ACTIONS[action](Desk(session, found, edit, given), rest)
        edit.close()
        shown = of
        if action == "new":
            shown = rest[0]
    if as_json:
        gone = action == "remove" and whole
        _show(root, "list" if gone else "show", [], Given(outline=shown), production, as_json=True)
        return
    root.out.print(said, markup=False)


def _show(
    root: Root, action: str, words: Sequence[str], given: Given, production: str | None, *, as_json: bool
) -> None:
    with reading(root.sessions) as session:
        found = root.production(session, production)
        if action == "list":
            print_outlines(root, session, list_outlines(session, found), as_json=as_json)
            return
        name = words[0] if action == "show" and words else given.outline
        row = find_outline(session, found, name)
        if action == "versions":
            versions = list_versions(session, row)
            if as_json:
                print_json([version_json(one) for one in versions])
            else:
                print_versions(root, versions)
        elif action == "compare":
            _count(words, (1, 2), "compare EARLIER [LATER]")
            later = words[1] if len(words) > 1 else NOW
            comparison = compare_versions(session, found, row, words[0], later)
            if as_json:
                print_json(comparison.as_json())
            else:
                print_comparison(root, comparison)
        else:
            state = read_outline_state(session, found, row)
            if as_json:
                whole = outline_json(state.layout, state.judgement)
                print_json(whole | {"shape": state.shape.as_json()})
            else:
                print_outline(root, state)


def _new(desk: Desk, words: Sequence[str]) -> str:
    _count(words, (1,), 'new "The film"')
    made = make_outline(desk.edit, words[0], desk.given.target or None)
    return f"made the outline {made.name}"


def _target(desk: Desk, words: Sequence[str]) -> str:
    _count(words, (0,), "target --target 1500")
    if desk.given.target is None:
        raise UsageError("say how many seconds", remedy="rushlight outline target --target 1500")
    made = change_outline(desk.edit, desk.outline, {"target_seconds": desk.given.target or None})
    return f"{made.name} is to run {made.target_seconds or 'any number of'} s"


def _add(desk: Desk, words: Sequence[str]) -> str:
    if not words or words[0] not in [kind.value for kind in ItemKind]:
        raise UsageError(
            "say what to add", remedy=f"rushlight outline add {'|'.join(kind.value for kind in ItemKind)} …"
        )
    kind, rest = ItemKind(words[0]), list(words[1:])
    given = desk.given
    values = plain_values(mood=given.mood, note=given.note)
    if kind in (ItemKind.MUSIC, ItemKind.TITLE, ItemKind.NARRATION):
        values |= plain_values(seconds=_seconds(given.seconds))
    if kind is ItemKind.NARRATION:
        _count(rest, (1,), "add narration N1")
        values["line"] = find_line(desk.session, desk.production, rest[0]).code
    elif kind in (ItemKind.MUSIC, ItemKind.TITLE):
        if not rest:
            raise UsageError(f"{kind.value} needs a name", remedy=f'rushlight outline add {kind.value} "…"')
        values |= plain_values(name=rest.pop(0))
        if kind is ItemKind.TITLE:
            _count(rest, (0,), 'add title "1932" --seconds 4')
        if rest or given.moment is not None:
            values["parts"] = parts_for(desk.session, kind, _ranges(desk, rest))
    else:
        values["parts"] = parts_for(desk.session, kind, _ranges(desk, rest))
    item = add_item(desk.edit, desk.outline, kind, values, given.place)
    stitched = kind is ItemKind.QUOTE and len(item.parts) > 1
    return f"added {kind.value}" + (
        "; a stitched quote may change what was said: listen to the whole answer, then "
        "`rushlight outline check`"
        if stitched
        else ""
    )


def _ranges(desk: Desk, words: Sequence[str]) -> list[Range]:
    """From a moment, from cues, from CLIP, which may be a photograph, or CLIP IN OUT as often as is given."""
    given = desk.given
    if given.moment is not None:
        moment = find_moment(desk.session, desk.production, given.moment)
        return [Range(moment.clip, moment.in_frame, moment.out_frame, given.speaker)]
    if given.cues is not None:
        return cue_ranges(desk.session, desk.production, _cues(given.cues), given.speaker)
    if len(words) == 1:
        clip = find_one_clip(desk.session, desk.production, words[0])
        stands = _seconds(given.seconds)
        return [range_of(desk.session, clip, seconds=stands, speaker=given.speaker)]
    if not words or len(words) % 3:
        raise UsageError("a range is a clip, an in and an out", remedy="Write A001/C0001 250 350.")
    found = []
    for at in range(0, len(words), 3):
        clip = find_one_clip(desk.session, desk.production, words[at])
        first, end = _places(clip, words[at + 1 : at + 3])
        found.append(Range(clip, first, end, given.speaker))
    return found


def _places(clip: models.Clip, words: Sequence[str]) -> tuple[int, int]:
    """An in and an out. Raises UsageError, TimecodeError."""
    if clip.media is ClipMedia.IMAGE:
        raise UsageError(
            "a photograph has no in and out", path=clip.name, remedy="Say how long it stands: --seconds 4."
        )
    first, end = (read_frame(clip, word) for word in words)
    return first, end


def _move(desk: Desk, words: Sequence[str]) -> str:
    _count(words, (2,), "move 5 2")
    place = _number(words[1], "the place")
    move_item(desk.edit, desk.item(words[0]), place)
    return f"item {words[0]} is at {place}"


def _trim(desk: Desk, words: Sequence[str]) -> str:
    _count(words, (3,) if desk.given.seconds is None else (1,), "trim 5 250 350, or trim 5 --seconds 8")
    item, part = desk.item(words[0]), desk.given.part
    if not 1 <= part <= len(item.parts):
        raise UsageError(
            f"item {words[0]} has {len(item.parts)} parts", remedy="Choose one of them with --part."
        )
    clip = item.parts[part - 1].clip
    first, end = _places(clip, words[1:]) if words[1:] else (None, None)
    given = range_of(desk.session, clip, first, end, seconds=_seconds(desk.given.seconds))
    trim_item(desk.edit, item, part, given)
    return f"item {words[0]} is trimmed"


def _cover(desk: Desk, words: Sequence[str]) -> str:
    if not words:
        raise UsageError("say which item", remedy="rushlight outline cover 3 B001/C0007")
    item = desk.item(words[0])
    if desk.given.clear:
        change_item(desk.edit, item, {"covers": []})
        return f"item {words[0]} has no cover"
    standing = [
        {"clip": one.clip_id, "in": one.in_frame, "out": one.out_frame, "at": one.offset_frames}
        for one in item.covers
    ]
    added = [cover_values(one, desk.given.offset) for one in _ranges(desk, words[1:])]
    change_item(desk.edit, item, {"covers": [*standing, *added]})
    return f"item {words[0]} is covered from frame {desk.given.offset}"


def _check(desk: Desk, words: Sequence[str]) -> str:
    _count(words, (1,), "check 5")
    item = check_quote(desk.edit, desk.item(words[0]))
    return f"item {words[0]} was checked by {item.checked_by}: it means what was said"


def _remove(desk: Desk, words: Sequence[str]) -> str:
    if desk.given.whole:
        name = desk.outline.name
        remove_outline(desk.edit, desk.outline)
        return f"removed {name}; `rushlight undo` brings it back"
    _count(words, (1,), "remove 5, or remove --whole")
    remove_item(desk.edit, desk.item(words[0]))
    return f"removed item {words[0]}; `rushlight undo` brings it back"


def _keep(desk: Desk, words: Sequence[str]) -> str:
    _count(words, (1,), 'keep "first assembly"')
    return f"kept {keep_version(desk.edit, desk.outline, words[0]).name}"


def _return(desk: Desk, words: Sequence[str]) -> str:
    _count(words, (1,), 'return "first assembly"')
    version = find_version(desk.session, desk.outline, words[0])
    return_to(desk.edit, desk.outline, version)
    return f"{desk.outline.name} is what it was as {version.name}; `rushlight undo` goes back"


ACTIONS: Mapping[str, Callable[[Desk, Sequence[str]], str]] = {
    "new": _new,
    "target": _target,
    "add": _add,
    "move": _move,
    "trim": _trim,
    "cover": _cover,
    "check": _check,
    "remove": _remove,
    "keep": _keep,
    "return": _return,
}


def _count(words: Sequence[str], counts: Sequence[int], like: str) -> None:
    if len(words) not in counts:
        raise UsageError("that is not how it is called", remedy=f"rushlight outline {like}")


def _number(text: str, what: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise UsageError(f"{show_short(text)} is no number", remedy=f"Give {what}, from 1.")
    return int(text)


def _seconds(text: str | None) -> Fraction | None:
    if text is None:
        return None
    try:
        return Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise UsageError(f"{show_short(text)} is no length", remedy="Write seconds: 4.5.") from None


def _cues(text: str) -> list[int]:
    """ "12-14" is three cues, "12,17" two."""
    found: list[int] = []
    for piece in text.split(","):
        first, _, last = piece.strip().partition("-")
        begin = _number(first, "a cue's number")
        end = _number(last, "a cue's number") if last else begin
        if not begin <= end < begin + 1000:
            raise UsageError(f"{show_short(text)} are no cues", remedy="Write 12-14, or 12,17.")
        found += range(begin, end + 1)
    return found
