"""`serve`, `work`, `watch`: the service and what carries its requests out.

What these commands stand on is heavy to load; `api/cli/service.py` is imported by the command that runs.
"""

from __future__ import annotations

from typing import Annotated, Any

import typer

from api.cli.app import root_of
from shared.settings import load_settings


def register(app: typer.Typer) -> None:
    app.command("serve")(serve)
    app.command("work")(work)
    app.command("watch")(watch)


def serve(
    context: typer.Context,
    host: Annotated[str | None, typer.Option(help="Address; beyond loopback a token is needed.")] = None,
    port: Annotated[int | None, typer.Option(help="Port; 0 takes a free one.")] = None,
    alone: Annotated[
        bool, typer.Option("--alone", help="Do not carry out requests here: another process runs `work`.")
    ] = False,
) -> None:
    """Serve the pages and the API, and carry out their requests in a process of its own."""
    root = root_of(context)
    changes: dict[str, Any] = {}
    if host is not None:
        changes["host"] = host
    if port is not None:
        changes["port"] = port
    settings = load_settings(home=root.settings.home, **changes)
    from api.cli import service  # heavy: only when it serves

    service.serve(settings, root.sessions, alone=alone)


def work(context: typer.Context) -> None:
    """Carry out requests filed through the service, until stopped."""
    from api.cli import service  # heavy: only when it works

    service.work(root_of(context))


def watch(context: typer.Context) -> None:
    """Offload cards as they appear, by the rules in config.toml, and carry out requests."""
    from api.cli import service  # heavy: only when it watches

    service.watch(root_of(context))
