"""`rename`: correct the name of a tag, a person or a lens, on every clip at once."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from api.cli.app import root_of
from api.cli.options import Production
from shared.catalogue.named_rows import rename as rename_row
from shared.db import writing


class Named(StrEnum):
    TAG = "tag"
    PERSON = "person"
    LENS = "lens"


def register(app: typer.Typer) -> None:
    app.command("rename")(rename)


def rename(
    context: typer.Context,
    what: Annotated[Named, typer.Argument(help="What kind of name it is.")],
    old: Annotated[str, typer.Argument(help="Its name now.")],
    new: Annotated[str, typer.Argument(help="Its name from now on.")],
    production: Production = None,
) -> None:
    """Give a tag, a person or a lens another name; every clip that has it follows."""
    root = root_of(context)
    with writing(root.sessions) as session:
        found = root.production(session, production)
        edit = rename_row(session, found, what.value, old, new, root.author)
        if edit is None:
            said = f"it has that name already: {new}"
        else:
            said = f"{edit.summary}; this is edit {edit.id}"
    root.out.print(said, markup=False)
