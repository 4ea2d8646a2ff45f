"""Leave a generation in the hash list of a folder, and say so when that can't be done."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Literal

from ingest.card import UNLISTED
from ingest.check.context import Context
from ingest.check.hash_list import Records, write_generation
from ingest.check.model import shown
from ingest.check.places import Target
from ingest.mhl.model import FOLDER
from ingest.orders import Problem
from shared.errors import AppError, DestinationGoneError, ManifestError, ReadOnlyError


def write_down(
    context: Context,
    number: int,
    target: Target,
    records: Records,
    *,
    process: Literal["in-place", "transfer"],
    algorithm: str | None = None,
    complete: bool = False,
    empty_folders: Sequence[str] = (),
) -> bool:
    """Append what was found to the history of a target. Never raises an AppError: the report tells.

    Returns whether the drive is still there.

    `complete`: all that stands there was hashed with `algorithm`, so that its folders can be hashed as well.
    """
    report = context.report
    try:
        manifest, left_out = write_generation(
            context.disk,
            target.top,
            records,
            process=process,
            started=context.started,
            algorithm=algorithm or "xxh128",
            complete=complete and algorithm is not None,
            # What is none of ours keeps its own ignore list, which could only grow.
            ignore=UNLISTED if target.holding is not None else (),
            empty_folders=empty_folders if complete else (),
        )
    except ReadOnlyError as error:
        # Nothing is wrong with the copies, and a drive that is locked has a reason to be.
        report.add_problem(Problem("note", error.path, f"no hash list was added: {error.message}"))
        return True
    except AppError as error:
        kind = "manifest" if isinstance(error, ManifestError) else "destination"
        message = f"no hash list was added: {error.message}"
        report.add_problem(Problem(kind, error.path, message, error.remedy))
        return not isinstance(error, DestinationGoneError)
    if manifest is not None:
        report.folders[number].manifests.append(shown(os.fspath(manifest)))
    # What lies in a hash list's own folder is proven by its chain, and never listed in it.
    if untold := [path for path in left_out if FOLDER not in path.split("/")]:
        message = f"checked, but no hash list can hold its name ({len(untold)} such files)"
        report.add_problem(Problem("note", target.shown(untold[0]), message))
    return True


def common_algorithm(records: Records) -> str | None:
    """One in which every file was hashed and with which folders can be; None when there is none."""
    common: set[str] | None = None
    for record in records:
        names = {found.algorithm for found in record.hashes}
        common = names if common is None else common & names
    return min(common or (), default=None)
