"""`demo`: the whole job on the sample cards of an invented film."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    app.command("demo")(demo)


def demo(
    into: Annotated[
        Path, typer.Option("--into", help="Folder to make everything in; it must be new or empty.")
    ],
) -> None:
    """Make the sample cards, offload, log, search and hand them over."""
    from api.cli.demonstration import run_demo  # heavy: draws and encodes

    run_demo(into)
