"""`handover`: the folder an editor starts from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from api.cli.app import print_json, root_of
from api.cli.kit import AsJson, Production
from shared.catalogue.log import production_vocabulary
from shared.catalogue.search import find_clips
from shared.db import reading
from shared.vocabulary import load_vocabulary


def register(app: typer.Typer) -> None:
    app.command("handover", context_settings={"ignore_unknown_options": True})(handover)


def handover(
    context: typer.Context,
    to: Annotated[Path, typer.Option("--to", help="Folder in which the hand-over folder is made.")],
    query: Annotated[
        list[str] | None, typer.Argument(help="A query as for find. Nothing: every clip.")
    ] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Write the shot log, timeline, contact sheets, hash lists and a read-me for the editor."""
    from api.handover import write_handover  # heavy: draws sheets

    root = root_of(context)
    text = " ".join(query or [])
    with reading(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        page = find_clips(session, found, text, vocabulary)
        report = write_handover(session, found, page.clips, to=to, settings=root.settings, query=text)
    if as_json:
        print_json(report.as_json())
        return
    root.out.print(f"{report.clips} clips handed over in {report.folder}", markup=False)
    for line in report.missing:
        root.out.print(f"    missing: {line}", markup=False)
