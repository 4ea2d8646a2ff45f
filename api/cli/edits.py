"""`changes` and `undo`: read the journal of edits, and take one back."""

from __future__ import annotations

import zoneinfo
from typing import Annotated, Any

import typer
from sqlalchemy import func, select

from api.cli.app import print_json, print_table, root_of
from api.cli.options import AsJson, Production
from shared.catalogue.editing import find_edit
from shared.catalogue.editing import undo as take_back
from shared.catalogue.log import production_vocabulary
from shared.db import reading, writing
from shared.models import Change, ChangeSet
from shared.vocabulary import load_vocabulary


def register(app: typer.Typer) -> None:
    app.command("changes")(changes)
    app.command("undo")(undo)


def changes(
    context: typer.Context,
    number: Annotated[int | None, typer.Argument(help="An edit: show everything it changed.")] = None,
    limit: Annotated[int, typer.Option(help="How many of the newest to list.")] = 20,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List the edits of the log, the newest first: who, when, what; or show one whole."""
    root = root_of(context)
    with reading(root.sessions) as session:
        found = root.production(session, production)
        counts = (
            select(func.count()).where(Change.set_id == ChangeSet.id).correlate(ChangeSet).scalar_subquery()
        )
        wanted = select(ChangeSet, counts).where(ChangeSet.production_id == found.id)
        wanted = (
            wanted.where(ChangeSet.id == number)
            if number is not None
            else wanted.order_by(ChangeSet.id.desc()).limit(limit)
        )
        rows = [(edit, count) for edit, count in session.execute(wanted)]
        if number is not None and not rows:
            find_edit(session, found, None, number)  # says that there is none
        described = [_describe(edit, count, whole=number is not None) for edit, count in rows]
    if as_json:
        print_json(described)
        return
    zone = zoneinfo.ZoneInfo(found.zone)
    print_table(
        root,
        ("edit", f"when ({zone})", "who", "changed", "what"),
        [
            (
                str(edit.id),
                f"{edit.made_at.astimezone(zone):%Y-%m-%d %H:%M}",
                edit.author,
                str(count),
                edit.summary,
            )
            for edit, count in rows
        ],
        right=0b01001,
    )
    for one in described if number is not None else ():
        for change in one["changes"]:
            root.out.print(f"  {change['kind']} #{change['id']}", markup=False)
            for side in ("before", "after"):
                root.out.print(f"    {side:<6} {_say(change[side])}", markup=False)


def undo(
    context: typer.Context,
    number: Annotated[
        int | None, typer.Argument(help="The edit; without it your last one that still stands.")
    ] = None,
    production: Production = None,
) -> None:
    """Take an edit back, whole. To bring it back again, undo the undo: `rushlight undo NUMBER`."""
    root = root_of(context)
    with writing(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        edit = find_edit(session, found, root.author, number)
        done = take_back(session, found, edit, vocabulary, root.author)
        said = f"took back edit {edit.id} ({edit.summary}); this is edit {done.id}"
    root.out.print(said, markup=False)


def _describe(edit: ChangeSet, count: int, *, whole: bool) -> dict[str, Any]:
    described: dict[str, Any] = {
        "id": edit.id,
        "made_at": edit.made_at.isoformat(timespec="seconds"),
        "author": edit.author,
        "summary": edit.summary,
        "undoes": edit.undoes_id,
        "changed": count,
    }
    if whole:
        described["changes"] = [
            {"kind": one.kind, "id": one.subject_id, "before": one.before, "after": one.after}
            for one in edit.changes
        ]
    return described


def _say(values: dict[str, Any] | None) -> str:
    if values is None:
        return "(not there)"
    return " ".join(f"{name}={'' if value in (None, [], {}) else value}" for name, value in values.items())
