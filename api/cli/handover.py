"""`handover`: the folder an editor starts from."""

from __future__ import annotations

from pathlib import Path, PurePath, PurePosixPath, PureWindowsPath
from typing import Annotated

import typer

from api.cli.app import print_json, root_of
from api.cli.kit import AsJson, Production
from api.cli.query_words import QueryCommand, join_query
from shared.catalogue.log import production_vocabulary
from shared.catalogue.search import find_clips
from shared.db import reading
from shared.errors import UsageError
from shared.vocabulary import load_vocabulary


def register(app: typer.Typer) -> None:
    app.command("handover", cls=QueryCommand, context_settings={"ignore_unknown_options": True})(handover)


def handover(
    context: typer.Context,
    to: Annotated[Path, typer.Option("--to", help="Folder in which the hand-over folder is made.")],
    query: Annotated[
        list[str] | None, typer.Argument(help="A query as for find. Nothing: every clip.")
    ] = None,
    media_root: Annotated[
        list[str] | None,
        typer.Option(
            "--media-root",
            help="Where the editor has a destination: its name or path, =, and the path on their machine.",
        ),
    ] = None,
    leave_out: Annotated[
        str,
        typer.Option(
            "--leave-out",
            help="What is not handed over: contacts, places, minors, with commas between.",
        ),
    ] = "",
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Write the shot log, timeline, contact sheets, hash lists and a read-me for the editor."""
    from api.handover import write_handover  # heavy: draws sheets
    from api.handover.profile import read_parts

    root = root_of(context)
    roots = dict(_read_root(one) for one in media_root or ())
    text, left_out = join_query(query), read_parts(leave_out)
    with reading(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        page = find_clips(session, found, text, vocabulary)
        report = write_handover(
            session,
            found,
            page.clips,
            to=to,
            settings=root.settings,
            query=text,
            media_roots=roots,
            left_out=left_out,
        )
    if as_json:
        print_json(report.as_json())
        return
    root.out.print(f"{report.clips} clips handed over in {report.folder}", markup=False)
    for line in report.missing:
        root.out.print(f"    missing: {line}", markup=False)


def _read_root(text: str) -> tuple[str, PurePath]:
    """`DRIVE=PATH`, the path as the editor's machine has it: /Volumes/Ferry or E:\\Ferry."""
    name, sign, path = text.partition("=")
    if not sign or not name or not path:
        raise UsageError(
            f"{text!r} names no destination and no path", remedy="Write it as --media-root DRIVE=PATH."
        )
    windows = PureWindowsPath(path)
    return name, windows if windows.drive else PurePosixPath(path)
