"""Options that many commands have."""

from __future__ import annotations

from typing import Annotated

import typer

Production = Annotated[
    str | None, typer.Option("--production", "-p", help="Production; the latest without it.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for programs.")]
