"""The signed papers: copied into the catalogue's own folder under their hash, private, never handed over."""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import dataclass
from pathlib import Path, PurePath

from shared.errors import DestinationError, UsageError
from shared.names import display

FOLDER = "releases"  # below the home folder
ALGORITHM = "sha256"  # FIPS 180-4: a signature wants a hash that nobody can forge a match for
LARGEST = 100_000_000  # bytes
_BLOCK = 1 << 20
_PARTIAL = ".partial"


@dataclass(frozen=True, slots=True)
class KeptFile:
    """`name`: as the person calls it; `path`: below the folder; `hash`: "sha256:…"."""

    name: str
    path: str
    hash: str
    size: int


def keep_file(home: Path, source: Path) -> KeptFile:
    """Copy a paper into `home`/releases, readable by its owner alone, read it back and compare.

    The same content is kept once. Raises UsageError for a file that can't be read or is too large,
    DestinationError when it can't be kept.
    """
    data = _read(source)
    digest = hashlib.sha256(data).hexdigest()
    name, hashed = display(os.fsencode(source.name)), f"{ALGORITHM}:{digest}"
    kept = KeptFile(name, stored_name(hashed, name), hashed, len(data))
    folder = home / FOLDER
    target = folder / kept.path
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _holds(target, digest):
            _write(target, data)
    except OSError as error:
        raise DestinationError(
            f"the release can't be kept: {error.strerror}", path=str(target), remedy="Is the drive full?"
        ) from error
    if not _holds(target, digest):
        raise DestinationError(
            "what was written there reads otherwise", path=str(target), remedy="Suspect the drive."
        )
    return kept


def stored_name(hashed: str, name: str) -> str:
    """What a paper is called below the folder, by its hash and its own name."""
    suffix = re.sub(r"[^a-z0-9.]", "", PurePath(name).suffix.lower())[:12]
    return f"{hashed.partition(':')[2]}{suffix}"


def _read(source: Path) -> bytes:
    try:
        with source.open("rb") as file:
            data = file.read(LARGEST + 1)
    except OSError as error:
        raise UsageError(
            f"can't be read: {error.strerror}", path=str(source), remedy="Is it the right file?"
        ) from error
    if not data or len(data) > LARGEST:
        size = "empty" if not data else f"larger than {LARGEST // 1_000_000} MB"
        raise UsageError(f"it is {size}", path=str(source), remedy="Give a scan or a PDF of the paper.")
    return data


def _write(target: Path, data: bytes) -> None:
    """Under its final name only once it is whole and on the medium."""
    partial = target.with_name(target.name + _PARTIAL)
    partial.unlink(missing_ok=True)
    handle = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with open(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    partial.rename(target)  # what stands there under this name was damaged
    folder = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _holds(path: Path, digest: str) -> bool:
    found = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                found.update(block)
    except FileNotFoundError:
        return False
    return found.hexdigest() == digest
