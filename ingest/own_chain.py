"""The chain of a hash list that came with the card: the one file whose copy goes on growing.

Its copy is the card's to the byte when it is made. Then each generation that is added at the destination adds
a line. From there on it is a good copy as long as it begins with all the card's chain says; what it names is
proven file by file, as every manifest is a file of its own that never changes.
"""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

from ingest.copy import FileResult
from ingest.durable import Disk, is_plain_file
from ingest.folders import open_below
from ingest.mhl.chain import ChainEntry
from ingest.mhl.model import CHAIN, FOLDER
from ingest.mhl.scan import read_chain
from ingest.plan import Place
from ingest.settle import Settled
from shared.models import CopyState


def is_chain(path: str) -> bool:
    return path.split("/")[-2:] == [FOLDER, CHAIN]


def accept_grown_chain(result: FileResult, settled: Settled, card: Path, place: Place, disk: Disk) -> Settled:
    """The outcome for a copy that differs: verified all the same when it is the card's chain, continued."""
    path = result.task.entry.path
    if settled.state is not CopyState.DIFFERS or result.digest is None or not is_chain(path):
        return settled
    folder = path.rpartition("/")[0]
    try:
        handle = open_below(disk, place.root, place.below(folder), make=False)
        try:
            found = disk.stat_at(CHAIN, at=handle)
            if not is_plain_file(found) or not goes_on(disk, card, folder, handle):
                return settled
        finally:
            os.close(handle)
    except OSError:
        return settled
    return dataclasses.replace(settled, state=CopyState.VERIFIED, error=None, mtime_ns=found.st_mtime_ns)


def goes_on(disk: Disk, card: Path, folder: str, copy: int) -> bool:
    """Whether the chain in the open folder `copy` begins with all of the one in `folder` of the card.

    Raises OSError.
    """
    handle = open_below(disk, card, folder, make=False)
    try:
        first = _entries(disk, handle)
    finally:
        os.close(handle)
    there = _entries(disk, copy)
    return bool(first) and there[: len(first)] == first


def _entries(disk: Disk, folder: int) -> list[ChainEntry]:
    scan = read_chain(disk, folder)
    return [] if scan.fatal else scan.entries
