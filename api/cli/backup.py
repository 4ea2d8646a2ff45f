"""`backup`: a verified copy of the catalogue, its stills and the configuration, while all is in use."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from api.cli.app import print_json, root_of
from api.cli.options import AsJson
from shared.backup import SET_ASIDE_NAME, back_up
from shared.errors import EXIT_PARTIAL

MOST_NAMED = 10


def register(app: typer.Typer) -> None:
    app.command("backup")(backup)


def backup(
    context: typer.Context,
    to: Annotated[Path, typer.Argument(help="The folder to make; it must not be there yet.")],
    as_json: AsJson = False,
) -> None:
    """Copy catalogue, stills and configuration into a new folder, and verify them. Not the footage."""
    root = root_of(context)
    made = back_up(root.settings, to)
    if as_json:
        print_json(made.as_json())
    else:
        root.out.print(
            f"{made.folder}: {made.rows.get('clip', 0)} clips, {made.stills} stills, "
            f"{made.bytes / 1e6:.1f} MB; opened, and whole",
            markup=False,
        )
        if made.set_aside:
            root.out.print(
                f"config.toml names another place for the catalogue; here it is {SET_ASIDE_NAME}",
                markup=False,
            )
        for name in made.missing[:MOST_NAMED]:
            root.err.print(f"not there: the still {name}", markup=False)
        if len(made.missing) > MOST_NAMED:
            root.err.print(f"and {len(made.missing) - MOST_NAMED} more stills", markup=False)
    if made.missing:
        raise typer.Exit(EXIT_PARTIAL)
