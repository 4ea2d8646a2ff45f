"""The `rushlight` command: the one place that joins `ingest` and `api`."""

from __future__ import annotations

import gc
import sys


def main() -> None:
    """Run the command of this process and end it."""
    # What is loaded stays: looking for garbage in it would only cost a start its tenth part.
    gc.disable()
    from api.cli.main import leave, run  # after that, as this is what takes the time

    leave(run(sys.argv[1:]))
