"""`token`: who may reach the service from the network, and what for."""

from __future__ import annotations

from typing import Annotated

import typer

from api.cli.app import print_json, print_table, root_of
from api.tokens import Scope, make_token, read_tokens, revoke_token
from shared.errors import UsageError


def register(app: typer.Typer) -> None:
    app.command("token")(token)


def token(
    context: typer.Context,
    name: Annotated[str | None, typer.Argument(help="Whose token it is; without it, list them.")] = None,
    scope: Annotated[
        list[Scope] | None,
        typer.Option(help="What it may do: read, log (edit) or offload; give it once for each."),
    ] = None,
    revoke: Annotated[bool, typer.Option("--revoke", help="Take this token back, at once.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for programs.")] = False,
) -> None:
    """Make a token for the service, shown this once; or list them, or take one back."""
    root = root_of(context)
    home = root.settings.home
    if name is None:
        if scope or revoke:
            raise UsageError("whose token?", remedy="Give it a name: rushlight token tablet --scope log.")
        found = read_tokens(home)
        if as_json:
            print_json([{"name": one.name, "scopes": sorted(one.scopes)} for one in found])
        else:
            print_table(root, ("name", "may"), [(one.name, ", ".join(sorted(one.scopes))) for one in found])
    elif revoke:
        revoke_token(home, name)
        root.err.print(f"the token {name} is taken back", markup=False)
    else:
        made = make_token(home, name, scope or ())
        if as_json:
            print_json({"name": name, "token": made})
        else:
            root.out.print(made, markup=False)
            root.err.print("This is the only time it is shown. Only its hash is kept.", markup=False)
