"""Reach a folder below a root one part at a time, through no link."""

from __future__ import annotations

import os
from pathlib import Path

from ingest.durable import Disk


def open_below(disk: Disk, root: Path, path: str, *, make: bool) -> int:
    """A handle on `root/path`; with `make`, missing folders are made and their names synced.

    A link anywhere below the root is refused (OSError): a planted one would lead the copy elsewhere.
    """
    handle = disk.open_folder(root)
    try:
        for part in path.split("/") if path else ():
            if part in ("", ".", ".."):
                raise OSError(22, "not a plain relative path", path)
            handle = _step(disk, handle, part, make)
    except BaseException:
        os.close(handle)
        raise
    return handle


def _step(disk: Disk, handle: int, part: str, make: bool) -> int:
    """Go one folder down and let go of the one above. On an error the one above stays open."""
    try:
        below = disk.open_folder(part, at=handle)
    except FileNotFoundError:
        if not make:
            raise
        disk.make_folder(part, at=handle)
        disk.sync_folder(handle)
        below = disk.open_folder(part, at=handle)
    os.close(handle)
    return below
