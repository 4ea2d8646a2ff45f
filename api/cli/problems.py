"""What went wrong, file by file, as commands print it."""

from __future__ import annotations

from collections.abc import Sequence

from api.cli.app import Root
from ingest.orders import Problem

SHOWN_PROBLEMS = 40


def print_problems(root: Root, problems: Sequence[Problem]) -> None:
    for problem in problems[:SHOWN_PROBLEMS]:
        place = f"{problem.path}: " if problem.path else ""
        root.out.print(f"{problem.kind}: {place}{problem.message}", markup=False)
        if problem.remedy:
            root.out.print(f"    {problem.remedy}", markup=False)
    if len(problems) > SHOWN_PROBLEMS:
        rest = len(problems) - SHOWN_PROBLEMS
        root.out.print(f"… and {rest} more problems; --json lists them all", markup=False)
