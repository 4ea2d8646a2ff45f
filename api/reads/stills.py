"""Stills as files: their address, which changes with their content, and their bytes."""

from __future__ import annotations

import enum
import hashlib
import os
import secrets
import stat
import threading
from contextlib import suppress
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from PIL import Image

from api.reads.clip_lines import StillLine
from shared.errors import NotFoundError
from shared.models import Still

# By the suffix that the program itself gave the file; nothing else is ever served.
IMAGE_TYPES = {".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}


# Widths that are made on demand and kept. A few and no more, so that nobody fills a disk by asking.
class Width(enum.IntEnum):
    SMALL = 320
    LARGE = 640


_SIZED = ".sized"  # below the stills folder; all in it can be made again
# What a browser says that it takes, the smallest first: AVIF 1.1 (AOMedia), WebP (RFC 9649).
_SMALLER = (("image/avif", "AVIF", ".avif"), ("image/webp", "WEBP", ".webp"))
_QUALITY = {"AVIF": 60, "WEBP": 74, "JPEG": 80}


@dataclass(frozen=True, slots=True)
class StillImage:
    """`version` is another one when the file is another one."""

    data: bytes
    media_type: str
    version: str


def still_link(folder: Path, still: Still | StillLine) -> str:
    """The still's address, with the version of its file: what stands there never changes."""
    address = f"/api/v1/stills/{still.id}"
    try:
        found = os.stat(os.path.join(folder, still.path))  # noqa: PTH116, PTH118 - a path object costs thrice that
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


def _version(still: Still | StillLine, found: os.stat_result) -> str:
    named = f"{still.path}\0{found.st_mtime_ns}\0{found.st_size}"
    return hashlib.blake2s(named.encode("utf-8", "surrogatepass"), digest_size=8).hexdigest()


def choose_form(accept: str) -> tuple[str, str, str]:
    """Media type, Pillow's name and suffix of the smallest form that the caller says it takes."""
    taken = {part.partition(";")[0].strip().lower() for part in accept.split(",")}
    return next((form for form in _SMALLER if form[0] in taken), ("image/jpeg", "JPEG", ".jpg"))


def read_sized(folder: Path, still: Still, width: Width, accept: str) -> StillImage:
    """The still no wider than `width`, in the form that suits the caller. The whole one is read only where
    this one has to be made.

    Raises NotFoundError as `read_still`.
    """
    media_type, form, suffix = choose_form(accept)
    with suppress(OSError, ValueError):
        kept = f"{_version(still, (folder / still.path).stat())}-{width.value}{suffix}"
        return StillImage((folder / _SIZED / kept).read_bytes(), media_type, kept)
    whole = read_still(folder, still)
    version = f"{whole.version}-{width.value}{suffix}"
    try:
        with _MAKING, Image.open(BytesIO(whole.data)) as image:
            image.thumbnail((width.value, width.value * 4))
            made = BytesIO()
            image.convert("RGB").save(made, form, quality=_QUALITY[form], **_FAST.get(form, {}))
    except (
        OSError,
        ValueError,
        Image.DecompressionBombError,
    ):  # a form that this Pillow lacks, or no picture
        return whole
    _keep(folder / _SIZED / version, made.getvalue())
    return StillImage(made.getvalue(), media_type, version)


_FAST: dict[str, dict[str, int]] = {"AVIF": {"speed": 9, "max_threads": 1}, "WEBP": {"method": 2}}
# One picture at a time: whoever types an entry meanwhile must not wait for the pictures of the clips to come.
_MAKING = threading.Lock()


def _keep(place: Path, data: bytes) -> None:
    """Whole or not at all; where it can't be kept it is made again the next time."""
    with suppress(OSError):
        place.parent.mkdir(exist_ok=True)
        beside = place.with_name(f".{place.name}.{secrets.token_hex(4)}")
        beside.write_bytes(data)
        beside.replace(place)
