"""`settings` and `upgrade`: the program's own upkeep."""

from __future__ import annotations

import typer
from pydantic import BaseModel

from api.cli.app import Root, root_of
from shared.db import make_engine
from shared.settings import Settings
from shared.upgrading import upgrade


def register(app: typer.Typer) -> None:
    app.command("settings")(settings)
    app.command("upgrade")(upgrade_catalogue)


def settings(context: typer.Context) -> None:
    """List every setting with its value and its meaning."""
    root = root_of(context)
    for name, field in Settings.model_fields.items():
        value = getattr(root.settings, name)
        shown = "(set)" if name == "token" and value else repr(value)
        shown = "(a table)" if isinstance(value, BaseModel) else shown
        root.out.print(f"{name} = {shown}", style="bold", markup=False)
        root.out.print(f"    {field.description}", markup=False)
        if isinstance(value, BaseModel):
            _list_inside(root, value, name)


def _list_inside(root: Root, table: BaseModel, name: str) -> None:
    """The values of a table of settings, one a line."""
    for key, field in type(table).model_fields.items():
        value = getattr(table, key)
        if isinstance(value, BaseModel):
            _list_inside(root, value, f"{name}.{key}")
        else:
            root.out.print(f"    {name}.{key} = {value!r}: {field.description}", markup=False)


def upgrade_catalogue(context: typer.Context) -> None:
    """Bring the catalogue's schema to this program's. Back it up first; there is no way back."""
    root = root_of(context)
    engine = make_engine(root.settings.database_url)
    try:
        upgrade(engine)
    finally:
        engine.dispose()
    root.out.print("the catalogue is up to date")
