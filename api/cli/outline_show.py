"""The outline on a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from rich.text import Text
from sqlalchemy.orm import Session

from api.cli.app import Root, print_json, print_table
from shared.catalogue.outline_rows import OutlineState
from shared.catalogue.outlines import count_items
from shared.models import Outline, OutlineVersion
from shared.outline.compare import Comparison
from shared.outline.judge import Notice
from shared.outline.running import Known
from shared.outline.shape import say_clock
from shared.outline.tell import label_of
from shared.plan.thresholds import PRACTICE
from shared.plan.wrap import counted

_WIDTH = 100
_WORDS = 70


def print_outline(root: Root, state: OutlineState) -> None:
    """Items in order, running time, and what needs a look."""
    layout, outline = state.layout, state.layout.outline
    seconds = float(layout.seconds(layout.frames))
    known = ", ".join(
        f"{float(layout.seconds(layout.known(one))):.0f} s {one.value}" for one in Known if layout.known(one)
    )
    wanted = f"; wanted {say_clock(outline.target)}" if outline.target is not None else ""
    root.out.print(
        f"{outline.name}: {label_of(outline, layout.frames)}, {say_clock(seconds)}{wanted}"
        f" ({known or 'empty'})",
        style="bold",
        markup=False,
    )
    rows = [
        (
            str(one.number),
            one.item.kind.value,
            label_of(outline, one.start),
            label_of(outline, one.frames),
            "" if one.known is Known.RECORDED else one.known.value,
            str(len(one.item.covers) or ""),
            "!" * bool(state.judgement.of(one.item.id)),
            textwrap.shorten(
                ": ".join(filter(None, (", ".join(one.item.speakers), one.item.words or _clip(state, one)))),
                _WORDS,
                placeholder=" …",
            ),
        )
        for one in layout.placed
    ]
    if rows:
        print_table(root, ("item", "kind", "starts", "length", "", "cover", "", "what"), rows, right=0b100001)
    else:
        root.out.print("nothing is in it yet: rushlight outline add quote CLIP IN OUT", markup=False)
    for notice in state.judgement.notices:
        _line(root, _say_notice(notice))
    jumps = state.judgement.jump_cuts
    if jumps.joins:
        _line(
            root,
            f"{counted(len(jumps.joins), 'jump cut')}; {counted(jumps.cutaways, 'cutaway')} not used yet, "
            f"{float(jumps.seconds):.0f} s, could cover.",
        )
    for same in state.shape.sameness:
        _line(root, same.text)
    if state.shape.sameness:
        _line(root, f"What counts as long: {PRACTICE}; `rushlight thresholds` changes it.")


def _clip(state: OutlineState, one: Any) -> str:
    return state.layout.outline.sources[one.segments[0].clip].take.name if one.segments else ""


def _say_notice(notice: Notice) -> str:
    return f"item {notice.number}: {notice.text}" if notice.number else notice.text


def _line(root: Root, text: str) -> None:
    width = min(_WIDTH, root.out.width) if root.out.is_terminal else _WIDTH
    for line in textwrap.wrap(
        text, width, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False
    ):
        root.out.print(Text(line), soft_wrap=True)


def print_outlines(root: Root, session: Session, rows: Sequence[Outline], *, as_json: bool) -> None:
    counts = count_items(session, rows)
    if as_json:
        print_json(
            [
                {
                    "id": one.id,
                    "name": one.name,
                    "target_seconds": one.target_seconds,
                    "items": counts.get(one.id, 0),
                }
                for one in rows
            ]
        )
        return
    if not rows:
        root.out.print('no outline yet: rushlight outline new "The film"', markup=False)
        return
    shown = [
        (str(one.id), str(counts.get(one.id, 0)), str(one.target_seconds or ""), one.name) for one in rows
    ]
    print_table(root, ("number", "items", "target s", "name"), shown, right=0b111)


def version_json(version: OutlineVersion) -> dict[str, Any]:
    return {
        "id": version.id,
        "name": version.name,
        "items": len(version.content["items"]),
        "made_at": version.made_at.isoformat(),
        "made_by": version.made_by,
    }


def print_versions(root: Root, versions: Sequence[OutlineVersion]) -> None:
    if not versions:
        root.out.print("no version is kept yet: rushlight outline keep NAME", markup=False)
        return
    rows = [
        (f"{one.made_at:%Y-%m-%d %H:%M}", str(len(one.content["items"])), one.made_by, one.name)
        for one in versions
    ]
    print_table(root, ("kept (UTC)", "items", "by", "name"), rows, right=0b10)


def print_comparison(root: Root, comparison: Comparison) -> None:
    for one in comparison.changes:
        places = {
            "added": f"at {one.after}",
            "removed": f"was at {one.before}",
            "moved": f"from {one.before} to {one.after}",
        }.get(one.what, f"at {one.after}")
        length = f", {one.frames:+} frames" if one.frames else ""
        _line(root, f"{one.what} {places}: {one.words}{length}")
    if not comparison.changes:
        root.out.print("the items are the same", markup=False)
    seconds = float(comparison.seconds)
    root.out.print(f"running time {comparison.frames:+} frames, {seconds:+.2f} s", markup=False)
