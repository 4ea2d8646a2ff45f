"""`report`: an offload's report as a page of HTML and a PDF, from what was recorded when it ended."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from api.cli.app import Root, print_json, root_of
from api.cli.options import AsJson, Production
from shared.db import reading


def register(app: typer.Typer) -> None:
    app.command("report")(report)


def report(
    context: typer.Context,
    to: Annotated[Path, typer.Option("--to", help="Folder for the two files; it must exist.")],
    offload: Annotated[
        str | None,
        typer.Argument(
            metavar="[REEL|#OFFLOAD]",
            help="A reel, for its latest offload, or an offload's id such as '#12' (in quotes, as # begins a "
            "comment in a shell). Nothing: the latest offload.",
        ),
    ] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Write an offload's report: card, copies, times, problems, every file, and the answer of that moment."""
    root = root_of(context)
    page, pdf = write_files(root, production, offload, to)
    if as_json:
        print_json({"html": str(page), "pdf": str(pdf)})
        return
    root.out.print(str(page), markup=False)
    root.out.print(str(pdf), markup=False)


def write_files(root: Root, production: str | None, offload: str | None, to: Path) -> tuple[Path, Path]:
    """Write both files of the report of one offload, the latest of a reel or of the production."""
    from api.reads.offloads import find_offload
    from api.report import write_report  # heavy: templates and fonts

    with reading(root.sessions) as session:
        found = find_offload(session, root.production(session, production), offload)
        return write_report(session, found, to)
