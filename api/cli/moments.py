"""`mark` and `moments`: ranges of a clip with a log entry of their own."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from api.cli.app import print_json, print_table, root_of
from api.cli.options import AsJson, Production
from shared.catalogue.clip_places import read_frame
from shared.catalogue.journal import moment_log
from shared.catalogue.log import find_one_clip, parse_assignments, production_vocabulary
from shared.catalogue.moments import (
    MomentEdit,
    change_moment,
    find_moment,
    list_moments,
    make_moment,
    remove_moment,
)
from shared.db import reading, writing
from shared.errors import UsageError
from shared.models import Clip, Moment
from shared.timecode import Rate, Timecode
from shared.vocabulary import load_vocabulary


def register(app: typer.Typer) -> None:
    app.command("mark")(mark)
    app.command("moments")(moments)


def mark(
    context: typer.Context,
    words: Annotated[
        list[str],
        typer.Argument(
            metavar="CLIP IN OUT [field=value…]",
            help="IN and OUT are frames from the clip's first, or timecode; OUT is exclusive.",
        ),
    ],
    name: Annotated[str | None, typer.Option(help="What to call it.")] = None,
    moment: Annotated[
        int | None, typer.Option("--moment", help="Change this moment instead of marking a new one.")
    ] = None,
    remove: Annotated[bool, typer.Option("--remove", help="With --moment: take it away.")] = False,
    production: Production = None,
) -> None:
    """Mark a range of a clip, or change one: `rushlight mark A001/C0001 10:00:00:00 10:00:04:00 note=…`."""
    root = root_of(context)
    plain = [word for word in words if "=" not in word]
    with writing(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        fields = [word for word in words if "=" in word]
        changes = parse_assignments(fields, vocabulary) if fields else ()
        if moment is None:
            if len(plain) != 3:
                raise UsageError(
                    "a moment needs a clip, an in and an out",
                    remedy="rushlight mark A001/C0001 250 350 note=…; or --moment N to change one.",
                )
            clip = find_one_clip(session, found, plain[0])
            edit = MomentEdit(read_frame(clip, plain[1]), read_frame(clip, plain[2]), name, changes)
            made = make_moment(session, clip, found, edit, vocabulary, root.author)
            said = f"marked moment {made.id} of {clip.name}: {_length(clip, made)}"
        else:
            marked = find_moment(session, found, moment)
            if remove:
                remove_moment(session, marked, found, vocabulary, root.author)
                said = f"removed moment {moment}; `rushlight undo` brings it back"
            else:
                if len(plain) not in (0, 2):
                    raise UsageError("give both in and out, or neither", remedy="--moment N IN OUT field=…")
                first, end = [read_frame(marked.clip, word) for word in plain] if plain else (None, None)
                edit = MomentEdit(first, end, name, changes)
                change_moment(session, marked, found, edit, vocabulary, root.author)
                said = f"changed moment {moment}: {_length(marked.clip, marked)}"
    root.out.print(said, markup=False)


def moments(
    context: typer.Context,
    clip: Annotated[str, typer.Argument(help="Its name, REEL/name or #id.")],
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List a clip's moments."""
    root = root_of(context)
    with reading(root.sessions) as session:
        found = root.production(session, production)
        one = find_one_clip(session, found, clip)
        rows: list[dict[str, Any]] = [
            {
                "id": moment.id,
                "in": moment.in_frame,
                "out": moment.out_frame,
                "from": _label(one, moment.in_frame),
                "to": _label(one, moment.out_frame),
                "name": moment.name,
                "log": moment_log(entry),
            }
            for moment, entry in list_moments(session, one)
        ]
    if as_json:
        print_json(rows)
        return
    print_table(
        root,
        ("moment", "in", "out", "name", "log"),
        [
            (
                str(row["id"]),
                row["from"],
                row["to"],
                row["name"],
                " ".join(f"{field}={value}" for field, value in row["log"].items()),
            )
            for row in rows
        ],
    )


def _label(clip: Clip, frame: int) -> str:
    start, rate = clip.start_timecode, _rate(clip)
    if rate is None:
        return str(frame)
    if start is None:
        return str(Timecode.wrapped(frame, rate))
    return str(start + frame)


def _rate(clip: Clip) -> Rate | None:
    if not clip.rate_num or not clip.rate_den or clip.rate_num > clip.rate_den * 1000:
        return None  # sound counts samples
    return Rate(clip.rate_num, clip.rate_den)


def _length(clip: Clip, moment: Moment) -> str:
    return f"{_label(clip, moment.in_frame)} to {_label(clip, moment.out_frame)}"
