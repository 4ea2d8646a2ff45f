"""`find`: clips by what was logged and what is known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

import typer
from rich.text import Text

from api.cli.app import Root, print_json, print_table, root_of
from api.cli.options import AsJson, Production
from api.cli.query_words import QueryCommand, join_query
from shared.catalogue.clip_rows import ClipRow, clip_rows
from shared.catalogue.excerpts import Excerpt, read_excerpts
from shared.catalogue.log import production_vocabulary
from shared.catalogue.search import Order, find_clips
from shared.db import reading
from shared.vocabulary import load_vocabulary

MOST = 200
LONGEST_NAME = 48
HEADINGS = ("day", "reel", "clip", "start", "length", "kind", "size", "rating", "about")


def register(app: typer.Typer) -> None:
    app.command("find", cls=QueryCommand, context_settings={"ignore_unknown_options": True})(find)


def find(
    context: typer.Context,
    query: Annotated[
        list[str] | None,
        typer.Argument(help='Words, "a phrase", field:value, -not. Nothing: every clip.'),
    ] = None,
    most: Annotated[int, typer.Option("--most", min=1, help="How many clips to list at the most.")] = MOST,
    order: Annotated[
        Order,
        typer.Option("--order", help="As shot, or the likeliest first: words logged, rating, recent days."),
    ] = Order.TIME,
    why: Annotated[bool, typer.Option("--why", help="Show where the words were found.")] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Find clips. `rushlight find kind:interview size:cu,mcu -rating:ng winch`"""
    root = root_of(context)
    text = join_query(query)
    with reading(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        # Programs get all there is; a table longer than anybody reads is cut, and says so.
        page = find_clips(session, found, text, vocabulary, limit=None if as_json else most, order=order)
        rows = clip_rows(session, page.clips, page.entries)
        ids = [clip.id for clip in page.clips]
        excerpts = read_excerpts(session, ids, text, vocabulary) if why or as_json else {}
    if as_json:
        clips = [row.as_json() | _excerpts_json(excerpts.get(row.id, ())) for row in rows]
        print_json({"query": text, "order": order.value, "total": page.total, "clips": clips})
        return
    if why:
        for row in rows:
            _print_why(root, row, excerpts.get(row.id, ()))
    else:
        print_rows(root, rows)
    if page.total > len(rows):
        root.out.print(f"{len(rows)} of {page.total} clips; narrow the query or use --most", markup=False)
    else:
        root.out.print("1 clip" if page.total == 1 else f"{page.total} clips", markup=False)


def print_rows(root: Root, rows: list[ClipRow]) -> None:
    """One line a clip."""
    if rows:
        print_table(root, HEADINGS, [_cells(row) for row in rows])


def _excerpts_json(excerpts: Sequence[Excerpt]) -> dict[str, Any]:
    return {"excerpts": [one.as_json() for one in excerpts]}


def _print_why(root: Root, row: ClipRow, excerpts: Sequence[Excerpt]) -> None:
    """The clip, and below it each excerpt with the words that were found set in bold."""
    root.out.print(f"{row.reel}  {_middle_out(row.name)}", markup=False)
    for excerpt in excerpts:
        line = Text(f"    {excerpt.field}: ")
        for piece in excerpt.pieces:
            # Line breaks and control characters of a note must not take over the terminal.
            shown = "".join(one if one.isprintable() else " " for one in piece.text)
            line.append(shown, style="bold" if piece.hit else "")
        root.out.print(line, soft_wrap=True)


def _middle_out(name: str) -> str:
    """A long name without its middle: the end, where the number is, tells clips apart."""
    return name if len(name) <= LONGEST_NAME else f"{name[:20]}…{name[21 - LONGEST_NAME :]}"


def _cells(row: ClipRow) -> tuple[str, ...]:
    log: dict[str, Any] = row.log
    about = " · ".join(
        part
        for part in (
            log.get("subject") or "",
            ", ".join(log.get("people", [])),
            log.get("place") or "",
            log.get("note") or "",
            " ".join(f"[{code}]" for code in row.findings),
        )
        if part
    )
    return (
        "" if row.day is None else str(row.day),
        row.reel,
        _middle_out(row.name),
        row.start or "no timecode",
        row.length or "unknown",
        log.get("kind") or "",
        log.get("size") or "",
        log.get("rating") or "",
        about,
    )
