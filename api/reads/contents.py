"""The bytes of a file of the catalogue, from a copy that stands under its final name."""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload, selectinload

from api.etags import content_tag
from api.ranges import Version
from shared.below import open_file_below
from shared.errors import NotFoundError
from shared.models import Copy, CopyState, File
from shared.names import display

# What is served under its type, by suffix; RFC 4337, 9559, 4539, 9639, 3003, 2361, 9649 and the registry of
# media types. Anything else is bytes: nothing from a card is ever served as a page or a picture with script.
MEDIA_TYPES = {
    b".mp4": "video/mp4",
    b".m4v": "video/mp4",
    b".mov": "video/quicktime",
    b".mxf": "application/mxf",
    b".mkv": "video/matroska",
    b".webm": "video/webm",
    b".wav": "audio/wav",
    b".flac": "audio/flac",
    b".mp3": "audio/mpeg",
    b".m4a": "audio/mp4",
    b".jpg": "image/jpeg",
    b".jpeg": "image/jpeg",
    b".png": "image/png",
    b".webp": "image/webp",
}
OTHER_TYPE = "application/octet-stream"
_UNSAFE = re.compile(r"[^A-Za-z0-9._-]", re.ASCII)


@dataclass(frozen=True, slots=True)
class Stored:
    """A file of the catalogue as it was recorded. `places`: where a proven copy of it should stand, each
    with the folder of the destination and what the file system said of the copy's time when it was proven."""

    id: int
    path: bytes  # below each destination
    size: int
    digest: str
    mtime_ns: int
    places: tuple[tuple[str, Path, int | None], ...]

    @property
    def name(self) -> bytes:
        return self.path.rpartition(b"/")[2]

    @property
    def media_type(self) -> str:
        return MEDIA_TYPES.get(os.path.splitext(self.name)[1].lower(), OTHER_TYPE)  # noqa: PTH122 - bytes


@dataclass(frozen=True, slots=True)
class Opened:
    """A handle on one copy, which whoever holds this must close."""

    handle: int
    size: int
    version: Version


def read_stored(session: Session, file_id: int) -> Stored:
    """Raises NotFoundError: no such file, or one that was never read whole."""
    file = session.scalar(
        select(File)
        .where(File.id == file_id)
        .options(joinedload(File.reel), selectinload(File.copies).joinedload(Copy.destination))
    )
    if file is None:
        raise NotFoundError(f"there is no file {file_id}", remedy="Use the address that its clip gives.")
    if file.digest is None:
        raise NotFoundError(
            f"file {file_id} was never read whole: {file.problem or 'the card did not give it'}",
            remedy="Offload its card again.",
        )
    proven = [copy for copy in file.copies if copy.state is CopyState.VERIFIED]
    return Stored(
        file.id,
        os.fsencode(file.reel.folder) + b"/" + file.path_bytes,
        file.size,
        f"{file.algorithm}:{file.digest}",
        file.mtime_ns,
        tuple((_name_of(copy), Path(copy.destination.path), copy.mtime_ns) for copy in proven),
    )


def _name_of(copy: Copy) -> str:
    return copy.destination.name or display(os.fsencode(Path(copy.destination.path).name))


def open_stored(stored: Stored, now: dt.datetime) -> Opened:
    """Open the first copy that is there with its recorded size. Raises NotFoundError where none is.

    What was not proven, or differs, is never given; nor what stands at the end of a link.
    """
    for _, root, proven_ns in stored.places:
        try:
            handle = open_file_below(root, stored.path)
        except (OSError, ValueError):
            continue
        found = os.fstat(handle)
        if found.st_size == stored.size:
            return Opened(handle, stored.size, _version(stored, found.st_mtime_ns, proven_ns, now))
        os.close(handle)
    raise NotFoundError(f"no copy of file {stored.id} is at hand", remedy=_where(stored.places))


def _version(stored: Stored, found_ns: int, proven_ns: int | None, now: dt.datetime) -> Version:
    """Of the recorded bytes. Where the copy was touched since its proof they may be others: another tag."""
    touched = proven_ns is not None and found_ns != proven_ns
    tag = content_tag(stored.digest, found_ns if touched else None)
    changed = dt.datetime.fromtimestamp((found_ns if touched else stored.mtime_ns) // 10**9, dt.UTC)
    return Version(tag, min(changed, now.replace(microsecond=0)))  # RFC 9110, 8.8.2.1: never in the future


def _where(places: Sequence[tuple[str, Path, int | None]]) -> str:
    names = sorted({name for name, _, _ in places})
    if not names:
        return "No destination has a proven copy of it: offload its card again."
    return f"Connect the drive of {' or '.join(names)}, then ask again."


def disposition_of(stored: Stored) -> str:
    """Content-Disposition (RFC 6266) with the name it had on the card, in both forms (RFC 8187)."""
    shown = display(stored.name)
    plain = _UNSAFE.sub("_", shown)
    kind = "attachment" if stored.media_type == OTHER_TYPE else "inline"
    return f"{kind}; filename=\"{plain}\"; filename*=UTF-8''{quote(shown, safe='')}"
