"""All commands under one name, and the edge where an error becomes words and an exit code.

Exit codes: 0 done, 1 error, 2 usage, 3 done in part, 4 a copy is not what it should be.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn

import typer

from api.cli.app import make_root, say_error
from shared.errors import EXIT_DONE, EXIT_ERROR, AppError

EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells have it

# The modules of this package and the commands each brings, in the order the help shows them.
PARTS = {
    "kit": ("new", "day", "camera", "lens"),
    "clock": ("clock", "sheet"),
    "offload": ("offload", "card"),
    "check": ("check",),
    "find": ("find",),
    "log": ("log", "terms"),
    "moments": ("mark", "moments"),
    "rename": ("rename",),
    "findings": ("findings", "dismiss", "judge"),
    "edits": ("changes", "undo"),
    "plan": ("plan", "wish", "narration", "thresholds"),
    "outline": ("outline",),
    "wrap": ("wrap", "coverage", "answer"),
    "release": ("release",),
    "transcripts": ("transcript",),
    "transfer": ("export", "import"),
    "sync": ("sync", "channels"),
    "recognise": ("recognise",),
    "handover": ("handover",),
    "report": ("report",),
    "serve": ("serve", "work", "watch"),
    "token": ("token",),
    "backup": ("backup",),
    "upkeep": ("settings", "upgrade"),
    "demo": ("demo",),
}


def command_line(arguments: Sequence[str] = ()) -> typer.Typer:
    """The command the arguments ask for, or all of them.

    Importing all takes a second, in which a card could have been read.
    """
    app = typer.Typer(
        name="rushlight",
        help="Offload cards with verified copies, log the footage, hand it over.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_start)
    asked = [part for part, commands in PARTS.items() if arguments[:1] and arguments[0] in commands]
    for part in asked or PARTS:
        import_module(f"api.cli.{part}").register(app)
    return app


def _start(context: typer.Context) -> None:
    context.obj = make_root()


def run(arguments: Sequence[str]) -> int:
    """Run one command; returns its exit code and never raises an AppError."""
    try:
        app = command_line(arguments)
        gc.freeze()  # see `api.cli.main`: nothing of what was loaded is ever garbage
        gc.enable()
        app(list(arguments))
    except AppError as error:
        say_error(error)
        return error.exit_code
    except SystemExit as leave:  # how the command line's own errors and exits arrive
        return leave.code if isinstance(leave.code, int) else EXIT_DONE
    except KeyboardInterrupt:
        sys.stderr.write("stopped. Run the same command again; it goes on where this one ended.\n")
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone: that is its right. Keep Python from flushing to it again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_ERROR
    return EXIT_DONE


def leave(code: int) -> NoReturn:
    """End the process with what was written, and at once.

    Taking the interpreter's modules apart takes a fifth of a second and is of use to nobody: whatever has to
    be closed or waited for is closed by the command itself.
    """
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except BrokenPipeError:
        code = code or EXIT_ERROR
    except OSError as error:  # as a full disk that the output was sent to
        os.write(2, f"error: the output can't be written: {error.strerror}\n".encode())
        code = code or EXIT_ERROR
    os._exit(code)
