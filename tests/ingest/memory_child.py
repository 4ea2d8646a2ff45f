"""A process of its own whose memory is measured: what the tests themselves hold would count otherwise."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def run_few_and_many(
    code: str, folder: Path, catalogue_url: str, few: int, many: int
) -> tuple[list[int], list[int]]:
    """Run `code` with the folder, in which `one` and `home` are made, the catalogue's address and both counts
    as its arguments; returns the numbers of its last two lines."""
    for name in ("one", "home"):
        (folder / name).mkdir()
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder), catalogue_url, str(few), str(many)],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONPATH": ""},
    )
    first, second = ([int(part) for part in line.split()] for line in done.stdout.splitlines()[-2:])
    return first, second
