"""Stills as files: their address, which changes with their content, and their bytes."""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from shared.errors import NotFoundError
from shared.models import Still

# By the suffix that the program itself gave the file; nothing else is ever served.
IMAGE_TYPES = {".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}


@dataclass(frozen=True, slots=True)
class StillImage:
    """`version` is another one when the file is another one."""

    data: bytes
    media_type: str
    version: str


def still_link(folder: Path, still: Still) -> str:
    """The still's address, with the version of its file: what stands there never changes."""
    address = f"/api/v1/stills/{still.id}"
    try:
        found = (folder / still.path).stat()
    except (OSError, ValueError):
        return address
    return f"{address}?v={_version(still, found)}"


def read_still(folder: Path, still: Still) -> StillImage:
    """Read the file below the catalogue's `stills` folder. Raises NotFoundError if it is not there."""
    gone = NotFoundError(
        f"the picture of still {still.id} is not there", remedy="Offload the card again to take it anew."
    )
    path = (folder / still.path).resolve()
    media_type = IMAGE_TYPES.get(path.suffix.lower())
    if media_type is None or not path.is_relative_to(folder.resolve()):
        raise gone
    try:
        with path.open("rb") as file:
            found = os.fstat(file.fileno())
            if not stat.S_ISREG(found.st_mode):
                raise gone
            return StillImage(file.read(), media_type, _version(still, found))
    except OSError as error:
        raise gone from error


def _version(still: Still, found: os.stat_result) -> str:
    named = f"{still.path}\0{found.st_mtime_ns}\0{found.st_size}"
    return hashlib.blake2s(named.encode("utf-8", "surrogatepass"), digest_size=8).hexdigest()
