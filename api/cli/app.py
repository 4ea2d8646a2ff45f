"""The command's frame: options shared by all commands, and the one edge where errors become exit codes."""

from __future__ import annotations

import getpass
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import typer
from rich.cells import cell_len, set_cell_size
from rich.console import Console
from rich.text import Text
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from shared.catalogue.productions import find_production
from shared.db import Sessions, make_sessions, open_catalogue
from shared.errors import AppError, QueryError
from shared.models import Production
from shared.settings import Settings, load_settings


@dataclass(frozen=True)
class Root:
    """What every command is given: the settings, and the catalogue once somebody asks for it."""

    settings: Settings

    @cached_property
    def engine(self) -> Engine:
        return open_catalogue(self.settings.database_url)

    @cached_property
    def sessions(self) -> Sessions:
        return make_sessions(self.engine)

    @cached_property
    def out(self) -> Console:
        return Console(highlight=False, soft_wrap=not sys.stdout.isatty())

    @cached_property
    def err(self) -> Console:
        return Console(stderr=True, highlight=False, soft_wrap=not sys.stderr.isatty())

    @property
    def author(self) -> str:
        """The name that edits are signed with."""
        if self.settings.author:
            return self.settings.author
        try:
            return getpass.getuser()
        except (KeyError, OSError):
            return ""

    def production(self, session: Session, name: str | None) -> Production:
        """The named production, or the latest. Raises NotFoundError with the remedy."""
        return find_production(session, name)


def root_of(context: typer.Context) -> Root:
    root = context.find_object(Root)
    assert root is not None, "the callback makes it before any command runs"
    return root


def print_json(value: Any) -> None:
    """JSON for programs: UTF-8, keys in the order given, a line break at the end."""
    sys.stdout.write(json.dumps(value, ensure_ascii=False, indent=2) + "\n")


def print_table(
    root: Root, headings: Sequence[str], rows: Sequence[Sequence[str]], *, right: int = 0
) -> None:
    """Columns for people. `right` is a bit mask of the columns that are set flush right.

    A terminal cuts the last column at its edge; what is piped keeps every word, as no width is right for it.
    """
    widths = [max(map(cell_len, column)) for column in zip(headings, *rows, strict=True)]
    room = root.out.width if root.out.is_terminal else None
    for number, row in enumerate((headings, *rows)):
        line = "  ".join(
            set_cell_size(cell, width) if not right >> n & 1 else " " * (width - cell_len(cell)) + cell
            for n, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        if room is not None and cell_len(line) > room:
            line = set_cell_size(line, room - 1) + "…"
        root.out.print(Text(line, style="bold" if number == 0 else "", no_wrap=True), soft_wrap=True)


def say_error(error: AppError) -> None:
    """One line for what, one for the remedy; a query's error points at its place."""
    console = Console(stderr=True, highlight=False, soft_wrap=True)
    place = f"{error.path}: " if error.path else ""
    console.print("error: " + place + error.message, style="bold", markup=False)
    if isinstance(error, QueryError):
        console.print("  " + error.query, markup=False)
        console.print("  " + " " * error.column + "^", markup=False)
    if error.remedy:
        console.print("  " + error.remedy, markup=False)


def make_root() -> Root:
    return Root(load_settings())
